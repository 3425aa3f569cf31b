"""Giving out numbers: things that are registered, prefixes for packaging, blocks for use without a network."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import numbers
from shipsvc.app.numbers import Issue, Issued
from shipsvc.domain import codes, errors
from shipsvc.store.engine import Row
from shipsvc.web import cursors
from shipsvc.web.cursors import AskedDep, whole
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.number_schemas import (
    BlockId,
    BlockNew,
    BlockNumber,
    BlockPage,
    BlockShown,
    BlockWhole,
    IssuedOne,
    IssuedShown,
    IssueNew,
    PrefixNew,
    PrefixPage,
    PrefixShown,
)
from shipsvc.web.openapi import LINK, REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKeyDep, once
from shipsvc.web.schemas import InstitutionCode, Prefix

router = APIRouter(prefix="/v1", tags=["numbers"])
PAGE: Any = {200: {"headers": LINK}}
MADE: Any = {201: {"headers": REPLAYED_HEADER}} | problems(404, 409)
FORM_OF = {"sample": "material", "container": "other", "parcel": "overpack"}


@router.post(
    "/items",
    operation_id="issue_items",
    summary="Register things under numbers",
    status_code=201,
    response_model=IssuedShown,
    responses=MADE,
)
def issue_items(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: IssueNew) -> Response:
    """For clerks, curators, preparators and registrars of the owner; out of a block, for those it was given to.

    Samples take numbers of their collection, containers and parcels those of their owner's packaging. Numbers are never
    given out twice. What is told is a `registered` fact, as through `POST /v1/events`.
    """
    wanted = _issue(body)

    def make(work: Work) -> Made:
        now = work.now()
        label_id = new_id(now) if body.print_labels else None
        issue = Issue(id=new_id(now), label_id=label_id, **wanted)
        return Made(201, _issued(numbers.issue(work.connection, work.actor, work.now, issue)))

    return decided(service, claims, key, body, make)


def _issue(body: IssueNew) -> dict[str, Any]:
    """What the shape alone does not say: new numbers or those of a block, and what belongs to samples only."""
    is_new = body.prefix is not None and body.count is not None
    if is_new == (body.numbers is not None) or (body.prefix is None) != (body.count is None):
        raise errors.Malformed(why="say either prefix and count, or numbers", pointer="/numbers")
    form = body.form or FORM_OF[body.kind]
    if (form == "material") != (body.kind == "sample"):
        raise errors.Malformed(why=f"a {body.kind} does not come as {form}", pointer="/form")
    described = {n: v for n in ("material", "moisture_class", "reserve") if (v := getattr(body, n)) is not None}
    if described and body.kind != "sample":
        raise errors.Malformed(why=f"a {body.kind} has no {next(iter(described))}", pointer=f"/{next(iter(described))}")
    named = tuple(body.numbers or ())
    if len(set(named)) < len(named):
        raise errors.Malformed(why="a number stands twice in it", pointer="/numbers")
    return {
        "kind": body.kind,
        "form": form,
        "what": body.what,
        "acting_for": body.acting_for,
        "prefix": body.prefix,
        "count": body.count or 0,
        "numbers": named,
        "happened_at": body.happened_at,
        "described": described,
    }


def _issued(issued: Issued) -> IssuedShown:
    answer = issued.answer
    return IssuedShown(
        event_id=answer["id"],
        happened_at=answer["happened_at"],
        recorded_at=answer["recorded_at"],
        flags=answer["flags"],
        items=[IssuedOne(number=codes.display(n), print=issued.prints.get(n)) for n in issued.numbers],
    )


# --------------------------------------------------------------------------------------------------------- prefixes
@router.post(
    "/prefixes",
    operation_id="claim_prefix",
    summary="Claim a prefix for packaging",
    status_code=201,
    response_model=PrefixShown,
    responses=MADE,
)
def claim_prefix(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: PrefixNew) -> Response:
    """For curators and registrars of the institution. It is theirs for good; collections have prefixes of their own."""

    def make(work: Work) -> Made:
        row = numbers.claim_prefix(work.connection, work.actor, work.now(), body.prefix, body.institution, body.because)
        return Made(201, PrefixShown(**row))

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: make(work))


@router.get("/prefixes", operation_id="list_prefixes", summary="Prefixes for packaging", responses=PAGE)
def list_prefixes(service: ServiceDep, claims: ClaimsDep, asked: AskedDep, response: Response) -> PrefixPage:
    """Those of your institutions; all, for auditors and administrators."""
    after = asked.after("prefix", str)
    with reading(service, claims) as work:
        first = str(after[0]) if after else ""
        rows = numbers.prefixes(work.connection, work.actor, after=first, limit=asked.limit + 1)
    page = cursors.cut(rows, asked.limit, "prefix", lambda row: (row["prefix"],))
    cursors.link(response, asked, page)
    return PrefixPage(items=[PrefixShown(**row) for row in page.rows], next=page.next)


# ----------------------------------------------------------------------------------------------------------- blocks
@router.post(
    "/number-blocks",
    operation_id="give_block",
    summary="Give out a block of numbers",
    status_code=201,
    response_model=BlockWhole,
    responses=MADE,
)
def give_block(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: BlockNew) -> Response:
    """For clerks, curators, preparators and registrars of the owner: to itself, or to a borrower who is to split
    samples where there is no network."""

    def make(work: Work) -> Made:
        now = work.now()
        row = numbers.hand_out(work.connection, work.actor, now, new_id(now), body.prefix, body.count, body.institution)
        return Made(201, _whole(row, set()), {"Location": f"/v1/number-blocks/{row['id']}"})

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: make(work))


@router.get("/number-blocks", operation_id="list_blocks", summary="Blocks of numbers", responses=PAGE)
def list_blocks(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    response: Response,
    prefix: Annotated[Prefix | None, Query(description="Only of this prefix")] = None,
    institution: Annotated[InstitutionCode | None, Query(description="Only given to this institution")] = None,
) -> BlockPage:
    """Those that your institutions gave or were given; all, for auditors and administrators."""
    after = asked.after("block", str, int)
    with reading(service, claims) as work:
        rows = numbers.blocks(
            work.connection,
            work.actor,
            prefix=prefix,
            institution=institution,
            after=(str(after[0]), whole(after[1])) if after else ("", 0),
            limit=asked.limit + 1,
        )
    page = cursors.cut(rows, asked.limit, "block", lambda row: (row["prefix"], row["first_serial"]))
    cursors.link(response, asked, page)
    return BlockPage(items=[BlockShown(**_block(row)) for row in page.rows], next=page.next)


@router.get(
    "/number-blocks/{block}", operation_id="show_block", summary="A block and its numbers", responses=problems(404)
)
def show_block(service: ServiceDep, claims: ClaimsDep, block: Annotated[BlockId, Path()]) -> BlockWhole:
    """Which of its numbers something goes by."""
    with reading(service, claims) as work:
        return _whole(*numbers.block(work.connection, work.actor, block))


def _block(row: Row) -> dict[str, Any]:
    given = numbers.numbers_of(row)
    members = {name: row[name] for name in ("id", "prefix", "institution", "recorded_at", "actor")}
    return {**members, "first": codes.display(given[0]), "last": codes.display(given[-1]), "count": len(given)}


def _whole(row: Row, used: set[str]) -> BlockWhole:
    listed = [BlockNumber(number=codes.display(n), used=n in used) for n in numbers.numbers_of(row)]
    return BlockWhole(**_block(row), numbers=listed)
