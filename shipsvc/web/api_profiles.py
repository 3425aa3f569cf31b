"""The storage profile of a sample: set from a moment on."""

from typing import Any, Final

from fastapi import APIRouter, Response
from pydantic import Field

from shipsvc.app import profiles
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes
from shipsvc.web.api_items import POSTED, Typed
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work
from shipsvc.web.item_schemas import EXAMPLE_ID, EventId, NumberShown, example
from shipsvc.web.replays import Made, RequestKeyDep
from shipsvc.web.schemas import DocumentCode, Instant, Strict, Words

router = APIRouter(prefix="/v1", tags=["items"])
_SET: Final[dict[str, Any]] = {"profile": "N", "because": "Its organics are to be kept dry"}


class ProfileSetting(Strict):
    """A sample is to be kept under a storage profile."""

    model_config = example(_SET)
    profile: DocumentCode = Field(description="Which one; somebody must have described it", examples=["N"])
    because: Words = Field(description="Why", examples=["Its organics are to be kept dry"])
    from_at: Instant | None = Field(None, description="From when on it holds; now, if left out")


class ProfileSetShown(Strict):
    """The storage profile that a sample is to be kept under."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "number": "BRM-0022-B",
            "profile": "N",
            "before": None,
            "from_at": "2025-02-19T14:00:00Z",
            "recorded_at": "2025-02-19T14:00:00Z",
        }
    )
    event_id: EventId
    number: NumberShown
    profile: DocumentCode = Field(description="Which one", examples=["N"])
    before: DocumentCode | None = Field(description="What it was kept under until then; null: nothing", examples=["N"])
    from_at: Instant = Field(description="From when on it holds")
    recorded_at: Instant = Field(description="When it was told")


@router.post(
    "/items/{number}/profile",
    operation_id="set_profile",
    summary="Set the storage profile that it is kept under",
    status_code=201,
    response_model=ProfileSetShown,
    responses=POSTED,
)
def set_profile(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: ProfileSetting
) -> Response:
    """For curators of its owner. Time before `from_at` stays charged to what held then; the budget of the new profile
    begins with nothing spent. What is made of the sample from then on inherits the profile."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.from_at)
        found = profiles.set_profile(work.connection, work.actor, work.now, number, body.profile, decision)
        shown = ProfileSetShown(
            event_id=decision.id,
            number=codes.display(found.number),
            profile=body.profile,
            before=found.before,
            from_at=found.at,
            recorded_at=found.recorded_at,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)
