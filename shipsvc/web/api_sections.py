"""The account of a section: area and thickness in place of mass."""

from decimal import Decimal
from typing import Annotated

from fastapi import APIRouter, Path

from shipsvc.app import documents, sections
from shipsvc.domain import codes
from shipsvc.domain.sections import NM_IN_UM, UM2_IN_MM2, Change
from shipsvc.web.answered import of_moment
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import MomentsDep
from shipsvc.web.section_schemas import SectionChange, SectionShown

router = APIRouter(prefix="/v1", tags=["items"])
Section = Annotated[
    str,
    Path(
        max_length=200, pattern=PRINTABLE, description="Its number, print code or another name", examples=["BRM-0014-B"]
    ),
]


@router.get(
    "/items/{number}/section",
    operation_id="show_section",
    summary="Area and thickness of a section",
    responses=problems(404),
)
def show_section(service: ServiceDep, claims: ClaimsDep, number: Section, moments: MomentsDep) -> SectionShown:
    """What is in resin has no mass account. Here stand its area and thickness when it was made (`embedded`, or cut off
    another section), what was taken of it (`used`, `loss_noted` with `area_mm2`) and how thick it is after each polish
    (`thickness_um`)."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found, section = sections.of(work.connection, work.actor, number, when)
    return SectionShown(
        **of_moment(moments, now),
        number=codes.display(found),
        event_id=section.begun.event_id,
        since=section.begun.at,
        resin=section.resin,
        area_mm2=_mm2(section.area_um2),
        used_mm2=_digits(section.used_um2, UM2_IN_MM2),
        left_mm2=_mm2(section.left_um2),
        below_zero=section.left_um2 is not None and section.left_um2 < 0,
        first_thickness_um=_um(section.first_thickness_nm),
        thickness_um=_um(section.thickness_nm),
        ended=section.ended,
        changes=[_change(change) for change in section.changes],
    )


def _change(change: Change) -> SectionChange:
    return SectionChange(
        event_id=change.event_id,
        kind=change.kind,
        happened_at=change.at,
        area_mm2=_mm2(change.area_um2),
        thickness_um=_um(change.thickness_nm),
    )


def _mm2(um2: int | None) -> str | None:
    return None if um2 is None else _digits(um2, UM2_IN_MM2)


def _um(nm: int | None) -> str | None:
    return None if nm is None else _digits(nm, NM_IN_UM)


def _digits(whole: int, factor: int) -> str:
    """As plain digits without needless zeros."""
    text = f"{Decimal(whole) / factor:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
