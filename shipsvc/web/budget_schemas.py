"""The uncertainty budget of a weighing in JSON. All u are standard uncertainties (k = 1) unless they say otherwise."""

from typing import Any, Final

from pydantic import Field

from shipsvc.web.item_schemas import EventId, MassShown, NumberShown, example
from shipsvc.web.schemas import Instant, Strict

EVENT: Final = "01957f5e-0000-7000-8000-000000000009"
_COMPONENT: Final[dict[str, Any]] = {
    "name": "repeatability",
    "u": 4000.0,
    "unit": "ng",
    "sensitivity": 1.0,
    "contribution_mg": "0.004",
    "share_percent": "49.7",
    "source": "",
}
_AIR: Final[dict[str, Any]] = {
    "institution": "SMP",
    "altitude_m": 1600,
    "air_kg_m3": 0.9888,
    "sample_kg_m3": 2200.0,
    "correction_mg": "0.028109",
    "components": [{**_COMPONENT, "name": "buoyancy: air", "unit": "kg/m3"}],
    "u_mg": "0.004131",
}


class BudgetLine(Strict):
    """One quantity behind a mass."""

    model_config = example(_COMPONENT)
    name: str = Field(description="What it is", examples=["repeatability"])
    u: float = Field(description="Its standard uncertainty, in `unit`", examples=[4000.0])
    unit: str = Field(description="Of u; 1 for a share", examples=["ng"])
    sensitivity: float = Field(description="How many ng the mass moves by one unit", examples=[1.0])
    contribution_mg: MassShown = Field(description="What it brings to the u of the mass, in mg")
    share_percent: str = Field(description="How much of u squared that is", examples=["49.7"])
    source: str = Field(
        description="Where it comes from; what two masses have of one source cancels in their difference",
        examples=["calibration of B5"],
    )


class BuoyancyShown(Strict):
    """What the air carries of it where it was weighed: shown. Only a difference is corrected for it, and only
    where the air was read at both weighings."""

    model_config = example(_AIR)
    institution: str = Field(description="Where the balance stands", examples=["SMP"])
    altitude_m: int = Field(examples=[1600])
    air_kg_m3: float = Field(
        description="The air as it was read, else that of a room at that altitude (CIPM-2007)", examples=[0.9888]
    )
    sample_kg_m3: float = Field(description="Taken for rock, within 400", examples=[2200.0])
    correction_mg: MassShown = Field(description="How much more it is than it reads, in mg")
    components: list[BudgetLine] = Field(description="What the correction rests on")
    u_mg: MassShown = Field(description="Standard uncertainty of the correction, in mg")


class BudgetShown(Strict):
    """Where the uncertainty of one weighing comes from."""

    model_config = example(
        {
            "number": "BRM-0012-F",
            "event_id": EVENT,
            "happened_at": "2025-04-03T17:00:00Z",
            "mass_mg": "86.209",
            "balance": "B5",
            "components": [_COMPONENT],
            "u_mg": "0.005672",
            "expanded_mg": "0.011343",
            "difference_mg": "-0.005",
            "difference_u_mg": "0.007095",
            "buoyancy": _AIR,
            "shift_mg": "0.005787",
        }
    )
    number: NumberShown
    event_id: EventId
    happened_at: Instant
    mass_mg: MassShown
    balance: str = Field(examples=["B5"])
    components: list[BudgetLine] = Field(description="What its u is made of")
    u_mg: MassShown = Field(description="Combined standard uncertainty, in mg")
    expanded_mg: MassShown = Field(description="Expanded uncertainty, k = 2, in mg")
    difference_mg: MassShown | None = Field(description="From the book, in mg; null where it opened that")
    difference_u_mg: MassShown | None = Field(description="Of the difference: with the u of the book, in mg")
    buoyancy: BuoyancyShown | None = Field(description="Null where nobody gave the altitude of the site")
    shift_mg: MassShown | None = Field(
        description="How much more the same thing reads there than where its owner is, by altitude alone, in mg"
    )
