"""Looking people up."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import ConfigDict, Field

from shipsvc.app import directory
from shipsvc.app.directory import Sought
from shipsvc.web import cursors
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading
from shipsvc.web.document_schemas import Listing
from shipsvc.web.identity_schemas import PROFILE, PersonShown, shown
from shipsvc.web.openapi import LINK
from shipsvc.web.schemas import InstitutionCode, RoleName, Words

router = APIRouter(prefix="/v1", tags=["identity"])
LISTED: Any = {200: {"headers": LINK}}


class PeoplePage(Listing):
    """People in the order of their ids."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [PROFILE], "next": None}]})
    items: list[PersonShown] = Field(description="With the roles that they have now")


@router.get("/people", operation_id="list_people", summary="Who is there?", responses=LISTED)
def list_people(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    response: Response,
    q: Annotated[Words | None, Query(description="Part of a name; case does not count", examples=["Example"])] = None,
    institution: Annotated[InstitutionCode | None, Query(description="Only those with a role there now")] = None,
    role: Annotated[
        RoleName | None, Query(description="Only those who have it, at `institution` if that is given")
    ] = None,
) -> PeoplePage:
    """People at one's own institutions; everybody, also who left, for auditors and administrators. Programs and devices
    that act by themselves are among them, as `kind` says.
    """
    after = asked.after("people", str)
    with reading(service, claims) as work:
        found = directory.page(
            work.connection,
            work.actor,
            work.now(),
            Sought(q.strip() if q else None, institution, role),
            after=str(after[0]) if after else "",
            limit=asked.limit + 1,
        )
    page = cursors.cut(found, asked.limit, "people", lambda one: (one.person,))
    cursors.link(response, asked, page)
    return PeoplePage(items=[shown(one) for one in page.rows], next=page.next)
