"""Sheets of labels as PDF."""

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import StringConstraints

from shipsvc.app import label_sheets
from shipsvc.app.label_sheets import SizeName
from shipsvc.web import api_labels
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.api_labels import Hazards
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading
from shipsvc.web.openapi import problems

router = APIRouter(tags=["labels"])
PDF = "application/pdf"
#: More than a page of the smallest, and an address that is still taken everywhere.
LABELS_MAX = 150
Size = Annotated[SizeName, Query(description="What the labels are stuck on", examples=["vial"])]
Skip = Annotated[int, Query(ge=0, le=200, description="How many places of the first page were used before")]
SHEET: Any = {
    200: {
        "description": "Pages of A4, to be printed at true size",
        "content": {PDF: {"schema": {"type": "string", "format": "binary"}}},
    }
} | problems(404, 409)


@router.get(
    "/v1/labels/sheet.pdf",
    operation_id="draw_label_sheet",
    summary="Labels as sheets to print",
    response_class=Response,
    responses=SHEET,
)
def draw_label_sheet(
    service: ServiceDep,
    claims: ClaimsDep,
    codes: Annotated[
        list[Annotated[str, StringConstraints(max_length=200, pattern=PRINTABLE)]],
        Query(
            min_length=1,
            max_length=LABELS_MAX,
            description="Codes of prints, or numbers for their live prints",
            examples=[["BRM0010J.1"]],
        ),
    ],
    size: Size = "vial",
    hazards: Hazards = [],  # noqa: B006  # never changed
    skip: Skip = 0,
) -> Response:
    """Symbols as vectors, number, what it is, cautions: in one size, in the order asked for. The symbol on a vial is
    7 mm wide and may be read with less of it covered than the others. The same labels make the same file."""
    key = api_labels.label_key(service)
    with reading(service, claims) as work:
        return sheet(work, service, key, codes, size, hazards, skip)


def sheet(
    work: Work,
    service: Service,
    key: bytes,
    codes: Sequence[str],
    size: SizeName,
    hazards: Sequence[str],
    skip: int,
) -> Response:
    """The file, here and on pages."""
    found = [api_labels.printed(work, service, key, code, hazards) for code in codes]
    headers = {"Content-Disposition": f'attachment; filename="labels-{size}.pdf"'}
    return Response(label_sheets.sheet(found, size, skip=skip), media_type=PDF, headers=headers)
