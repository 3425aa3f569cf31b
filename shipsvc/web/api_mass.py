"""Decisions on the book of a sample: set to a weighing, re-based from an estimate to one, written off."""

from fastapi import APIRouter, Response

from shipsvc.app import posting
from shipsvc.app.decisions import Decision
from shipsvc.app.posting import Posted
from shipsvc.domain import codes
from shipsvc.web.api_items import POSTED, Typed
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.mass_schemas import MassPosting, PostedShown, RebasedShown, Rebasing, WriteOff, WrittenOffShown
from shipsvc.web.replays import Made, RequestKeyDep

router = APIRouter(prefix="/v1", tags=["items"])


@router.post(
    "/items/{number}/post-mass",
    operation_id="post_mass",
    summary="Set its book to a weighing",
    status_code=201,
    response_model=PostedShown,
    responses=POSTED,
)
def post_mass(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: MassPosting) -> Response:
    """For curators of its owner. A weighing by itself moves no book; this does, and what is missing goes to
    unexplained. Refused where something left the sample after that weighing."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.posted_at)
        found = posting.post_mass(work.connection, work.actor, work.now, number, body.weighing, decision)
        return Made(201, _posted(found, decision.id, body.weighing))

    return decided(service, claims, key, body, make)


def _posted(found: Posted, event_id: str, weighing: str) -> PostedShown:
    before = found.before_ng
    return PostedShown(
        event_id=event_id,
        number=codes.display(found.number),
        weighing=weighing,
        before_mg=None if before is None else mass_mg(before),
        mass_mg=mass_mg(found.mass_ng),
        unexplained_mg=None if before is None else mass_mg(before - found.mass_ng),
        posted_at=found.at,
        recorded_at=found.recorded_at,
    )


@router.post(
    "/items/{number}/rebase",
    operation_id="rebase",
    summary="Put a weighing in the place of an estimate",
    status_code=201,
    response_model=RebasedShown,
    responses=POSTED,
)
def rebase(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: Rebasing) -> Response:
    """For curators of its owner, where the book rests on an estimate: the difference is neither loss nor gain, and the
    accession is worth what was weighed."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.rebased_at)
        found = posting.rebase(work.connection, work.actor, work.now, number, body.weighing, decision)
        before = found.before_ng or 0
        shown = RebasedShown(
            event_id=decision.id,
            number=codes.display(found.number),
            weighing=body.weighing,
            before_mg=mass_mg(before),
            mass_mg=mass_mg(found.mass_ng),
            rebasis_mg=mass_mg(found.mass_ng - before),
            rebased_at=found.at,
            recorded_at=found.recorded_at,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)


@router.post(
    "/items/{number}/write-off",
    operation_id="write_off",
    summary="Close its account: lost, or given up",
    status_code=201,
    response_model=WrittenOffShown,
    responses=POSTED,
)
def write_off(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: WriteOff) -> Response:
    """For curators of its owner. Once another person tells `confirmed` of the event, what its book holds is written
    off, it has ended, and nobody owes it any longer."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.decided_at)
        found = posting.write_off(work.connection, work.actor, work.now, number, decision, lost=body.lost)
        shown = WrittenOffShown(
            event_id=decision.id,
            number=codes.display(found.number),
            lost=body.lost,
            written_off_mg=None if found.before_ng is None else mass_mg(found.before_ng),
            decided_at=found.at,
            recorded_at=found.recorded_at,
            unconfirmed=True,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)
