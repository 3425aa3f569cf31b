"""POST /v1/events: the one door for facts; GET /v1/events/{id}: what was told."""

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Response
from sqlalchemy import exc

from shipsvc.app import facts, record
from shipsvc.app.told import Answer, Envelope, Result, Told
from shipsvc.domain import errors
from shipsvc.store.engine import crossed
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, reading, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.fact_answers import FactOut, fact_out
from shipsvc.web.fact_schemas import (
    EXAMPLE_ID,
    UUID_PATTERN,
    Failed,
    ManyAnswers,
    OneFact,
    Recorded,
    TellIn,
    read_fact,
    told_of,
)
from shipsvc.web.openapi import problems
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["facts"])

EXAMPLES: Any = {
    "one": {
        "summary": "A laboratory accepts a box",
        "value": {
            "device": "phone-3",
            "device_now": "2025-03-14T00:12:00Z",
            "fact": {
                "id": EXAMPLE_ID,
                "kind": "accepted",
                "subjects": ["P-01-K"],
                "time": {"raw": "2025-03-14T09:10:00+09:00", "source": "device", "sequence": 17},
                "acting_for": "TSI",
                "body": {"from": "CRK", "shipment": "T-01"},
            },
        },
    }
}
RECORDED: Any = {
    "id": EXAMPLE_ID,
    "status": "recorded",
    "recorded_at": "2025-03-14T00:12:00Z",
    "happened_at": "2025-03-14T00:10:00Z",
    "flags": [],
    "replayed": False,
}


def _answered(description: str, model: Any, example: Any) -> Any:
    return {"description": description, "model": model, "content": {"application/json": {"example": example}}}


@router.post(
    "/events",
    operation_id="tell",
    summary="Tell one fact or many",
    status_code=201,
    response_model=Recorded | ManyAnswers,
    responses={
        201: _answered("The fact is stored.", Recorded, RECORDED),
        200: _answered(
            "A repetition, or the answers to many facts.", Recorded | ManyAnswers, {**RECORDED, "replayed": True}
        ),
        409: {"description": "The id was used for another fact, or an amendment came in between.", "model": Problem},
        404: {"description": "The fact to amend is not there.", "model": Problem},
    },
)
def tell(
    service: ServiceDep,
    claims: ClaimsDep,
    response: Response,
    told: Annotated[TellIn, Body(openapi_examples=EXAMPLES)],
) -> Recorded | ManyAnswers:
    """Facts about the physical world are accepted and, where they contradict the record, flagged.

    The client makes each fact's id: the same id with the same words gives the first answer again. A fact may be told
    late, out of order, or by one side only. A 2xx answer means that it is stored for good.
    """
    if isinstance(told, OneFact):
        try:
            (result,) = recorded(service, claims, told.told(), [told_of(told.fact)])
            return _one(result, response)
        except errors.ShipsvcError as error:
            raise error.at(f"/fact{error.pointer}") if error.pointer is not None else error from None
    response.status_code = 200
    return many(service, claims, told.told(), told.facts)


@router.get(
    "/events/{id}",
    operation_id="show_fact",
    summary="What was told",
    responses=problems(404),
)
def show_fact(
    service: ServiceDep,
    claims: ClaimsDep,
    id: Annotated[str, Path(pattern=UUID_PATTERN, description="The id of the fact", examples=[EXAMPLE_ID])],
) -> FactOut:
    """One fact or decision as it was told: by whom and for whom, both times and the raw one, its amendments, its proof.

    It is there for those who told it and for those who may see an item that it bears on; for others it is not there.
    """
    with reading(service, claims) as work:
        return fact_out(facts.read(work.connection, work.actor, id, work.now()))


def recorded(
    service: Service, claims: Claims, envelope: Envelope, told: Sequence[Told], *, whole: bool = False
) -> list[Result]:
    """Record checked facts in one transaction, tried again where others changed the nest meanwhile; as ``record.tell``
    answers. Away where that did not end. ``whole``: all or none, and what one fails with is raised."""
    for left in reversed(range(record.ATTEMPTS)):
        try:
            with unit_of_work(service, claims) as work:
                results = record.tell(work.connection, work.actor, work.now, envelope, told)
                if whole:
                    _raise_any(results)
            break
        except record.AffectedGrew:
            if not left:
                raise errors.Away(what="The nest these facts are about is being changed by others, so it") from None
        except exc.DBAPIError as error:
            # Perhaps the same fact came twice at once: then the other one is in the log by now.
            if not left or not crossed(error):
                raise
    for fact, result in zip(told, results, strict=True):
        service.metrics.fact_told(fact.kind, _outcome(result))
    return results


def _raise_any(results: Sequence[Result]) -> None:
    for result in results:
        if isinstance(result, errors.ShipsvcError):
            raise result


def _outcome(result: Result) -> str:
    if isinstance(result, Answer):
        return "replayed" if result.replayed else "recorded"
    return "failed"


def _one(result: Result, response: Response) -> Recorded:
    if isinstance(result, errors.ShipsvcError):
        raise result
    response.status_code = 200 if result.replayed else 201
    return Recorded(**result.body, replayed=result.replayed)


def many(service: Service, claims: Claims, envelope: Envelope, raw: Sequence[dict[str, Any]]) -> ManyAnswers:
    """Facts as they were sent, each checked, recorded and answered on its own."""
    read = [read_fact(one) for one in raw]
    good = [fact for fact in read if isinstance(fact, Told)]
    results = iter(recorded(service, claims, envelope, good) if good else [])
    answers = []
    for fact, sent in zip(read, raw, strict=True):
        said = fact if isinstance(fact, Problem) else next(results)
        answers.append(_answer(said, sent))
    return ManyAnswers(results=answers)


def _answer(said: Problem | Result, sent: dict[str, Any]) -> Recorded | Failed:
    if isinstance(said, Answer):
        return Recorded(**said.body, replayed=said.replayed)
    problem = problem_of(said) if isinstance(said, errors.ShipsvcError) else said
    sent_id = sent.get("id")
    return Failed(id=sent_id[:400] if isinstance(sent_id, str) else None, problem=problem)
