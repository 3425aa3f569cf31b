"""Requests for material: asked, approved, refused, withdrawn, and cut for. An approval promises mass under a lock."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from shipsvc.app import case_access, items, reserve
from shipsvc.app.access import Actor
from shipsvc.app.decisions import AHEAD_TOLERATED, Decided
from shipsvc.app.documents import COLLECTION, append_next, drawn_code
from shipsvc.app.reserve import Reserve
from shipsvc.domain import codes, errors
from shipsvc.domain.mass import Mass
from shipsvc.domain.reserve import cut_max_ng, largest_ng
from shipsvc.store import documents as chains
from shipsvc.store import ledger
from shipsvc.store import requests as store
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment
from shipsvc.store.requests import PROMISE, REQUEST
from shipsvc.store.tables import FOREVER

_EVER: Final = When(FOREVER, FOREVER)


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What is asked for: how many pieces, each of how much (None: the thing as it is), of which samples if it says."""

    collection: str
    institution: str
    responsible: str
    what: str
    samples: Sequence[str]
    pieces: int
    wanted_ng: int | None
    least_ng: int | None
    purpose: str
    destructive: bool


@dataclass(frozen=True)
class Grant:
    """One piece that is granted: of which sample, and how much (None: the thing as it is)."""

    sample: str
    mass_ng: int | None


@dataclass(frozen=True)
class Request:
    """A request in one version, whose collection it asks of, and what is promised on it."""

    row: Row
    owner: str
    promises: Sequence[Row]

    @property
    def samples(self) -> list[str]:
        """The samples that it names."""
        found: list[str] = json.loads(self.row["samples"])
        return found

    @property
    def reduced(self) -> bool:
        """Whether less was granted than was wanted."""
        granted = [row["mass_ng"] for row in self.promises]
        if not granted or self.row["wanted_ng"] is None or None in granted:
            return False
        return bool(sum(granted) < self.row["pieces"] * self.row["wanted_ng"])


# ---------------------------------------------------------------------------------------------------------------- asked
def ask(connection: sa.Connection, actor: Actor, now: datetime, wanted: Wanted, told: Decided) -> Request:
    """A new request, in review. For whoever speaks for the institution that asks.

    NotYourInstitution; NotFound for an unknown collection; Malformed for a sample of another one, and for a time that
    is still to come. Whether there is such a sample is not said.
    """
    actor.may_speak_for(wanted.institution, pointer="/institution")
    collection = chains.newest(connection, COLLECTION.chain, wanted.collection)
    if collection is None:
        raise errors.NotFound(what="collection", name=wanted.collection, pointer="/collection")
    for place, number in enumerate(wanted.samples):
        if number.rstrip("0123456789") != collection["prefix"]:
            why = f"{codes.display(number)} is no number of {wanted.collection}"
            raise errors.Malformed(why=why, pointer=f"/samples/{place}")
    at = told.taken_at(now, "/asked_at")
    content = {**asdict(wanted), "samples": json.dumps(list(wanted.samples))}
    row = {**content, "code": drawn_code("R"), "status": "in_review"}
    written = append_next(connection, REQUEST, actor.person, now, None, row, at, told.because)
    return _with_promises(connection, written, _EVER)


def read(connection: sa.Connection, actor: Actor, code: str, when: When) -> Request:
    """One request at a moment; NotFound where there is none that the actor may see: who asks, and who is asked."""
    row = chains.in_force(connection, REQUEST, code, when, _visible(actor))
    if row is None:
        raise errors.NotFound(what="request", name=code)
    return _with_promises(connection, row, when)


def page(
    connection: sa.Connection,
    actor: Actor,
    when: When,
    *,
    collection: str | None = None,
    institution: str | None = None,
    status: str | None = None,
    after: str = "",
    limit: int = 50,
) -> list[Request]:
    """Up to ``limit`` requests that the actor may see, in the order of their codes, behind ``after``."""
    asked = {"collection": collection, "institution": institution, "status": status}
    clauses = [REQUEST.c[name] == value for name, value in asked.items() if value is not None]
    visible = sa.and_(_visible(actor), *clauses)
    rows = chains.page(connection, REQUEST, when, after=after, limit=limit, visible=visible)
    return _all(connection, rows, when)


def institutions_of(connection: sa.Connection, promises: Sequence[Row]) -> dict[str, str]:
    """Which institution made each of the requests that these promises are on; that never changes."""
    return store.institutions_of(connection, {row["request"] for row in promises})


def _visible(actor: Actor) -> sa.ColumnElement[bool]:
    """Nobody hears of the requests of others but whoever they are made to (rulings 16)."""
    if actor.sees_all:
        return sa.true()
    own = sa.select(COLLECTION.chain.c.code).where(COLLECTION.chain.c.owner.in_(actor.institutions))
    return sa.or_(REQUEST.c.institution.in_(actor.institutions), REQUEST.c.collection.in_(own))


def _with_promises(connection: sa.Connection, row: Row, when: When) -> Request:
    return _all(connection, [row], when)[0]


def _all(connection: sa.Connection, rows: Sequence[Row], when: When) -> list[Request]:
    owners = store.owners(connection, {row["collection"] for row in rows})
    promised = store.promises(connection, when, PROMISE.c.request.in_([row["code"] for row in rows]))
    mine: dict[str, list[Row]] = {row["code"]: [] for row in rows}
    for promise in promised:
        mine[promise["request"]].append(promise)
    return [Request(row, owners[row["collection"]], mine[row["code"]]) for row in rows]


# -------------------------------------------------------------------------------------------------------------- decided
def approve(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    code: str,
    grants: Sequence[Grant],
    told: Decided,
    expires_at: datetime | None = None,
) -> Request:
    """Promise a mass for each piece that is granted, all or none.

    For curators of the collection's owner who are not of the institution that asks. NotFound; NotYourRole;
    RuleForbids once it is decided, for less than is of use, and for one's own request; MoreThanHeadroom, with the
    largest that is allowed, where a sample or the reserve does not have so much to give; Malformed for a day that is
    over. What counts is what is known now, whenever the decision was taken.
    """
    found = _in_review(connection, actor, code)
    _no_own_cause(actor, found)
    at = told.taken_at(now, "/approved_at")
    if expires_at is not None and expires_at <= now:
        raise errors.Malformed(why="the promise would be over before it is made", pointer="/expires_at")
    _of_use(found, grants)
    samples = [_sample(connection, actor, found, grant, place) for place, grant in enumerate(grants)]
    for place, sample in enumerate(samples):
        case_access.require_free(connection, [sample], _EVER, f"/grants/{place}/sample")
    standing = reserve.now_locked(connection, found.row["collection"], now)
    _may_be_promised(connection, standing, list(zip(samples, grants, strict=True)), now)
    for line, (sample, grant) in enumerate(zip(samples, grants, strict=True), start=1):
        row = {
            "code": f"{code}/{line}",
            "request": code,
            "line": line,
            "collection": found.row["collection"],
            "sample": sample,
            "mass_ng": grant.mass_ng,
            "expires_at": expires_at,
            "state": "promised",
            "piece": None,
            "cut_ng": None,
        }
        append_next(connection, PROMISE, actor.person, now, None, row, at, told.because)
    return _decide(connection, actor, now, found, "approved", at, told.because)


def refuse(connection: sa.Connection, actor: Actor, now: datetime, code: str, told: Decided) -> Request:
    """Nothing is granted, and why. For curators of the collection's owner who are not of the institution that asks;
    errors as for ``approve``."""
    found = _in_review(connection, actor, code)
    _no_own_cause(actor, found)
    return _decide(connection, actor, now, found, "refused", told.taken_at(now, "/refused_at"), told.because)


def withdraw(connection: sa.Connection, actor: Actor, now: datetime, code: str, told: Decided) -> Request:
    """Taken back by who asks, or by curators of the owner; what was promised and not cut is free again.

    NotFound; NotYourRole; RuleForbids for what was refused, withdrawn or fulfilled.
    """
    found = _locked(connection, actor, code)
    if found.row["institution"] in actor.institutions:
        actor.may_speak_for(found.row["institution"], pointer="/code")
    else:
        actor.must_be(found.owner, "curator")
    if found.row["status"] not in ("in_review", "approved"):
        raise errors.RuleForbids(why=f"request {code} is {found.row['status']} already.")
    at = told.taken_at(now, "/withdrawn_at")
    store.hold_reserve(connection, [found.row["collection"]])
    for promise in found.promises:
        if promise["state"] == "promised":
            append_next(connection, PROMISE, actor.person, now, promise, {"state": "freed"}, at, told.because)
    return _decide(connection, actor, now, found, "withdrawn", at, told.because)


def cut(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, line: int, typed: str, told: Decided
) -> Request:
    """A piece was cut for a promise: from now on the piece is gone from the book, and no longer promised. A promise of
    a whole sample is met by that sample.

    For curators of the collection's owner. NotFound; NotYourRole; RuleForbids for what is not promised, a piece that is
    not of that sample, has no mass or serves another promise, and one that is heavier than the grant by more than the
    collection allows.
    """
    found = _locked(connection, actor, code)
    actor.must_be(found.owner, "curator")
    promise = next((row for row in found.promises if row["line"] == line), None)
    if promise is None or promise["state"] != "promised":
        raise errors.RuleForbids(why=f"piece {line} of request {code} is not promised.", pointer="/line")
    piece = items.find(connection, actor, typed)
    at = told.taken_at(now, "/cut_at")
    standing = reserve.now_locked(connection, found.row["collection"], now)
    taken = store.promises(connection, _EVER, sa.and_(PROMISE.c.piece == piece.number, PROMISE.c.state == "cut"))
    if taken:
        why = f"{codes.display(piece.number)} was cut for request {taken[0]['request']}."
        raise errors.RuleForbids(why=why, pointer="/piece")
    cut_ng = _cut_ng(connection, promise, piece.number, now)
    _within_grant(promise, cut_ng, standing)
    new = {"state": "cut", "piece": piece.number, "cut_ng": cut_ng}
    append_next(connection, PROMISE, actor.person, now, promise, new, at, told.because)
    after = _with_promises(connection, found.row, _EVER)
    if any(row["state"] == "promised" for row in after.promises):
        return after
    return _decide(connection, actor, now, after, "fulfilled", at, told.because)


# --------------------------------------------------------------------------------------------------------------- checks
def _locked(connection: sa.Connection, actor: Actor, code: str) -> Request:
    newest = chains.newest_locked(connection, REQUEST, code, _visible(actor))
    if newest is None:
        raise errors.NotFound(what="request", name=code)
    return _with_promises(connection, newest, _EVER)


def _in_review(connection: sa.Connection, actor: Actor, code: str) -> Request:
    found = _locked(connection, actor, code)
    actor.must_be(found.owner, "curator")
    if found.row["status"] != "in_review":
        raise errors.RuleForbids(why=f"request {code} is {found.row['status']} already.")
    return found


def _no_own_cause(actor: Actor, found: Request) -> None:
    """Who asks does not decide (trade step 14); the owner's own requests have nobody else to decide them."""
    asks = found.row["institution"]
    if asks != found.owner and asks in actor.institutions:
        raise errors.RuleForbids(why=f"you are of {asks}, which asks; somebody else has to decide.")


def _of_use(found: Request, grants: Sequence[Grant]) -> None:
    """Less than the least amount is of use to nobody."""
    least_ng = found.row["least_ng"]
    for place, grant in enumerate(grants):
        if least_ng is not None and grant.mass_ng is not None and grant.mass_ng < least_ng:
            why = f"less than {Mass(least_ng).digits('mg')} mg is of no use to them. Refuse it, or ask them."
            raise errors.RuleForbids(why=why, pointer=f"/grants/{place}/mass_mg")


def _sample(connection: sa.Connection, actor: Actor, found: Request, grant: Grant, place: int) -> str:
    item = items.find(connection, actor, grant.sample)
    if item.row["kind"] != "sample" or item.row["collection"] != found.row["collection"]:
        raise errors.NotFound(
            what=f"sample of {found.row['collection']}", name=grant.sample, pointer=f"/grants/{place}/sample"
        )
    return item.number


def _may_be_promised(
    connection: sa.Connection, standing: Reserve, granted: Sequence[tuple[str, Grant]], now: datetime
) -> None:
    """Each sample must have what all grants together take from it, and the reserve what they take from it."""
    moment = Moment(now + AHEAD_TOLERATED, None, is_now=True)
    asked: dict[str, int] = {}
    from_reserve_ng = 0
    for place, (sample, grant) in enumerate(granted):
        mass_ng = grant.mass_ng or 0
        stock = reserve.stock_of(connection, standing, sample, moment)
        largest = largest_ng(stock, standing.standing) - asked.get(sample, 0)
        if stock.reserve and standing.standing.floor_ppm is not None:
            largest = min(largest, standing.standing.headroom_ng - from_reserve_ng)
            from_reserve_ng += mass_ng
        if mass_ng > largest:
            raise errors.MoreThanHeadroom(
                sample=codes.display(sample),
                largest=Mass(max(0, largest)).digits("mg"),
                asked=Mass(mass_ng).digits("mg"),
                pointer=f"/grants/{place}/mass_mg",
            )
        asked[sample] = asked.get(sample, 0) + mass_ng


def _cut_ng(connection: sa.Connection, promise: Row, piece: str, now: datetime) -> int | None:
    """What the piece weighed when it was made; of the sample itself, what it holds."""
    moment = Moment(now + AHEAD_TOLERATED, None, is_now=True)
    span = store.stock_span(connection, piece, moment)
    if piece == promise["sample"]:
        return span["mass_ng"] if span else None
    made = ledger.relatives(connection, promise["sample"], moment, down=True)
    born = [row for row in made if row["child"] == piece]
    if not born:
        why = f"{codes.display(piece)} was not made of {codes.display(promise['sample'])}."
        raise errors.RuleForbids(why=why, pointer="/piece")
    known = born[-1]["mass_ng"]
    return known if known is not None else (span["mass_ng"] if span else None)


def _within_grant(promise: Row, cut_ng: int | None, standing: Reserve) -> None:
    if promise["mass_ng"] is None:
        return
    if cut_ng is None:
        raise errors.RuleForbids(why="the mass of the piece is not known. Weigh it first.", pointer="/piece")
    most = cut_max_ng(promise["mass_ng"], standing.collection["cut_overshoot_ppm"])
    if cut_ng > most:
        cut_mg, most_mg = Mass(cut_ng).digits("mg"), Mass(most).digits("mg")
        why = f"{cut_mg} mg is more than {most_mg} mg, the most that this grant covers. Ask for a further grant."
        raise errors.RuleForbids(why=why, pointer="/piece")


# -------------------------------------------------------------------------------------------------------------- written
def _decide(
    connection: sa.Connection, actor: Actor, now: datetime, found: Request, status: str, at: datetime, because: str
) -> Request:
    row = append_next(connection, REQUEST, actor.person, now, found.row, {"status": status}, at, because)
    return _with_promises(connection, row, _EVER)
