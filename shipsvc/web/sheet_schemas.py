"""The sheet of a split in JSON, as it is summed before it is told."""

from typing import Any, Final

from pydantic import Field

from shipsvc.web.body_texts import Words
from shipsvc.web.fact_bodies import Loss, Piece, Rest
from shipsvc.web.item_schemas import MassShown, NumberShown, example
from shipsvc.web.report_schemas import Verdict
from shipsvc.web.schemas import Instant, Strict

_SHEET: Final[dict[str, Any]] = {
    "children": [{"number": "BRM-0021-D", "mass": "40.102 mg", "balance": "B5"}],
    "rest": {"mass": "46.05 mg", "balance": "B5"},
    "process": "chipping",
}
_CHECKED: Final[dict[str, Any]] = {
    "number": "BRM-0012-F",
    "book_mg": "86.209",
    "pieces_mg": "40.102",
    "loss_mg": "0",
    "rest_mg": "46.05",
    "allowance_mg": "0.431",
    "difference_mg": "-0.057",
    "u_mg": "0.009825",
    "verdict": "loss_within_allowance",
    "closes": True,
}


class SplitSheet(Strict):
    """A sheet as the fact `divided` would tell it."""

    model_config = example(_SHEET)
    children: list[Piece] = Field(min_length=1, max_length=200, description="What goes off")
    loss: Loss | None = Field(None, description="What work lost, where somebody says so")
    rest: Rest | None = Field(None, description="What is left under the old number")
    process: Words | None = Field(None, description="What is done", examples=["chipping"])
    ends: bool = Field(False, strict=True, description="Whether nothing is left", examples=[False])
    split_at: Instant | None = Field(None, description="When; now, if left out")


class SheetChecked(Strict):
    """A sheet summed against the book."""

    model_config = example(_CHECKED)
    number: NumberShown
    book_mg: MassShown | None = Field(description="What the book held before, in mg; null where that is not known")
    pieces_mg: MassShown = Field(description="What goes off, in mg")
    loss_mg: MassShown = Field(description="What work lost, as told, in mg")
    rest_mg: MassShown = Field(description="What is left, in mg")
    allowance_mg: MassShown = Field(description="How much may be missing after such work, in mg")
    difference_mg: MassShown | None = Field(
        description="All of these less the book: what is missing is below 0; null where something was not weighed"
    )
    u_mg: MassShown | None = Field(description="Its standard uncertainty (k = 1), in mg")
    verdict: Verdict | None
    closes: bool | None = Field(
        description="Whether it closes, to within what weighing and work explain; null where that cannot be told"
    )
