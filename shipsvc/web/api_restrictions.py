"""Restrictions on what may be done with a sample and all that is made of it."""

from typing import Any, Final

from fastapi import APIRouter, Response
from pydantic import Field

from shipsvc.app import restrictions
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes
from shipsvc.web.api_items import POSTED, Typed
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work
from shipsvc.web.item_schemas import EXAMPLE_ID, EventId, NumberShown, example
from shipsvc.web.replays import Made, RequestKeyDep
from shipsvc.web.schemas import Instant, Strict, Words

router = APIRouter(prefix="/v1", tags=["items"])
_SET: Final[dict[str, Any]] = {"words": "Not for aluminium, not face A", "because": "Touched foil when found"}


class RestrictionNew(Strict):
    """A restriction is set, or one is lifted."""

    model_config = example(_SET)
    words: Words | None = Field(
        None, description="What must not be done; or `lifts`", examples=["Not for aluminium, not face A"]
    )
    lifts: str | None = Field(
        None,
        pattern="^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
        description="The `event_id` of the restriction that ends; or `words`",
    )
    because: Words = Field(description="Why", examples=["Touched foil when found"])
    decided_at: Instant | None = Field(None, description="When it was decided; now, if left out")


class RestrictionShown(Strict):
    """A restriction that was set or lifted."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "number": "BRM-0004-F",
            "decided_at": "2025-02-01T09:00:00Z",
            "recorded_at": "2025-02-01T09:00:00Z",
        }
    )
    event_id: EventId
    number: NumberShown
    decided_at: Instant = Field(description="From when on it holds")
    recorded_at: Instant = Field(description="When it was told")


@router.post(
    "/items/{number}/restrictions",
    operation_id="restrict",
    summary="Restrict what is done with it, or lift that",
    status_code=201,
    response_model=RestrictionShown,
    responses=POSTED,
)
def restrict(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: RestrictionNew
) -> Response:
    """For curators of its owner. All that is made of it from then on carries it; of a mixture, the restrictions of each
    of its parents."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.decided_at)
        found = restrictions.restrict(work.connection, work.actor, work.now, number, body.words, body.lifts, decision)
        shown = RestrictionShown(
            event_id=found.event_id,
            number=codes.display(found.number),
            decided_at=found.at,
            recorded_at=found.recorded_at,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)
