"""The page on which sheets of labels are made."""

import re
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from shipsvc.app.label_sheets import SIZES
from shipsvc.domain import errors
from shipsvc.web import api_label_sheets, api_labels
from shipsvc.web.api_label_sheets import LABELS_MAX, Size, Skip
from shipsvc.web.api_labels import Hazards
from shipsvc.web.errors import detail_of, status_of
from shipsvc.web.pages import frames
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.session import VisitDep

router = APIRouter(include_in_schema=False)
Codes = Annotated[str, Query(max_length=8000)]
_PARTS: Final = re.compile(r"[\s,;]+")
#: What each hazard is called on the page.
HAZARDS: Final = {
    "dry_ice": "Dry ice",
    "liquid_nitrogen": "Liquid nitrogen",
    "inert_gas": "Nitrogen or argon",
    "fine_dust": "Fine dust",
    "pressure": "Pressure",
}


@router.get("/labels")
def labels(
    visit: VisitDep,
    typed: TypedDep,
    codes: Codes = "",
    size: Size = "vial",
    hazards: Hazards = [],  # noqa: B006  # never changed
    skip: Skip = 0,
    make: bool = False,
) -> Response:
    """The form, and with ``make`` the file; what is wrong stands above the form as it was filled in."""
    wanted = [one for one in _PARTS.split(codes) if one]
    with visit.reading() as work:
        frame = frames.of(work, typed)
    shown: dict[str, Any] = {"codes": codes, "size": size, "hazards": hazards, "skip": skip}
    wrong, status = "", 200
    if make:
        try:
            return _made(visit, wanted, size, hazards, skip)
        except (errors.Malformed, errors.NotFound, errors.RuleForbids) as error:
            wrong, status = detail_of(error), status_of(type(error))
    page: HTMLResponse = render(
        "labels.html", frame, status=status, wrong=wrong, sizes=SIZES, named=HAZARDS, most=LABELS_MAX, **shown
    )
    return page


def _made(visit: VisitDep, wanted: list[str], size: Size, hazards: Hazards, skip: Skip) -> Response:
    if not 0 < len(wanted) <= LABELS_MAX:
        why = errors.Text("name between one and {most} things or labels", most=LABELS_MAX)
        raise errors.Malformed(why=why, pointer="/codes")
    key = api_labels.label_key(visit.service)
    with visit.reading() as work:
        return api_label_sheets.sheet(work, visit.service, key, wanted, size, hazards, skip)
