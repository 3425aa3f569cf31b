"""Shipments: written down, changed, filled, turned round. What happens to them on the way is told as facts."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import case_access, documents, record, refold, relations
from shipsvc.app.access import READERS, Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.documents import TICK
from shipsvc.domain import codes, errors
from shipsvc.domain.facts import institution_of, same_institution
from shipsvc.store import access, items, locks, shipments
from shipsvc.store import documents as chains
from shipsvc.store.documents import When
from shipsvc.store.shipments import SHIPMENT
from shipsvc.store.tables import FOREVER

Clock = Callable[[], datetime]
Row = Mapping[str, Any]
#: Who at the consignor writes shipments down.
SENDERS = ("clerk", "curator", "registrar", "responsible")


@dataclass(frozen=True, kw_only=True)
class Route:
    """What may change about a shipment: parties as "LSC/mail-room", the instant it is expected, words for the door."""

    addressee: str
    carrier: str
    expected_by: datetime | None
    handling: str


@dataclass(frozen=True)
class Written:
    """A version to be appended, and the one that it follows (None: it is the first)."""

    content: Row
    newest: Row | None
    valid_from: datetime
    because: str


# ------------------------------------------------------------------------------------------------------------ commands
def create(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    *,
    code: str | None,
    consignor: str,
    route: Route,
    contents: Sequence[str],
    loan: str | None,
    why: str,
) -> str:
    """Write down a shipment and answer its code, made here where none is given. For clerks, curators, registrars and
    responsible persons of the consignor.

    It may be written down after facts that name it: they are then read again. NotYourRole; NotFound for an unknown
    institution, or a thing that the consignor has nothing to do with; AlreadyThere.
    """
    actor.must_be(consignor, *SENDERS)
    documents.require_institution(connection, consignor, "/consignor")
    _check_route(connection, route)
    code = code or _next_code(connection, consignor)
    if chains.newest_locked(connection, SHIPMENT, code):
        raise errors.AlreadyThere(what="shipment", name=code, pointer="/code")
    _check_contents(connection, actor, consignor, contents)
    _check_holds(connection, route.addressee, contents, now())
    named = shipments.named_by(connection, code)
    since = min(named.values(), default=None)
    content = {"code": code, "consignor": consignor, **asdict(route), "loan": loan, "why": why, "turned_at": None}
    written = Written(content, None, now(), "Written down")
    row = _write(connection, actor, now, written, set(named) | set(contents) if since else set(), since)
    _fill(connection, actor, row, contents)
    return code


def change(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    code: str,
    follows: Collection[int] | None,
    route: Route,
    because: str,
) -> None:
    """The next version, from now on: another addressee, carrier or day. ``follows`` as for documents.

    NotFound, NotYourRole, VersionMoved.
    """
    newest = _sender(connection, actor, code)
    if follows is not None and newest["version"] not in follows:
        raise errors.VersionMoved(what="Shipment", name=code, newest=newest["version"])
    _check_route(connection, route)
    turned_at = newest["turned_at"] if same_institution(route.addressee, newest["consignor"]) else None
    content = {**newest, **asdict(route), "turned_at": turned_at}
    at = now()
    _write(connection, actor, now, Written(content, newest, at, because), *_moved(connection, content, newest, at))
    _settle_all(connection, code, at)


def add(connection: sa.Connection, actor: Actor, now: Clock, code: str, contents: Sequence[str], because: str) -> None:
    """More things in the shipment, which makes a new version. NotFound, NotYourRole; AlreadyThere for what is in it."""
    newest = _sender(connection, actor, code)
    at = now()
    _check_contents(connection, actor, newest["consignor"], contents)
    _check_holds(connection, newest["addressee"], contents, at)
    held = shipments.contents(connection, code, When(at, FOREVER))
    for place, number in enumerate(contents):
        if number in held:
            raise errors.AlreadyThere(what="item", name=codes.display(number), pointer=f"/contents/{place}")
    row = _write(connection, actor, now, Written(newest, newest, at, because), set(), None)
    _fill(connection, actor, row, contents)


def turn_round(
    connection: sa.Connection, actor: Actor, now: Clock, code: str, acting_for: str | None, decision: Decision
) -> None:
    """Back to the consignor, who is the addressee from that moment on: ``turned_round`` of all that it holds.

    For curators of the consignor and for the carrier. NotFound, NotYourRole; RuleForbids where nothing is left to
    turn round; Malformed for a time still to come.
    """
    newest = chains.newest_locked(connection, SHIPMENT, code, _visible(actor))
    if newest is None:
        raise errors.NotFound(what="shipment", name=code)
    taker = _taker(actor, newest, acting_for)
    at = decision.taken_at(now(), "/turned_at")
    held = shipments.parcels(connection, [code], When(now(), FOREVER), now())
    if same_institution(newest["addressee"], newest["consignor"]):
        on_its_way = "shipment {code} is already on its way to {consignor}."
        raise errors.RuleForbids(why=errors.Text(on_its_way, code=code, consignor=newest["consignor"]))
    if held and all(parcel["state"] == "confirmed" for parcel in held):
        raise errors.RuleForbids(
            why=errors.Text("all of shipment {code} has arrived; send it back on another one.", code=code)
        )
    content = {**newest, "addressee": newest["consignor"], "turned_at": at}
    written = Written(content, newest, at, decision.because)
    row = _write(connection, actor, now, written, *_moved(connection, content, newest, at))
    _settle_all(connection, code, row["recorded_at"])
    recorded_at = row["recorded_at"]
    numbers = [parcel["number"] for parcel in held]
    body = {"shipment": code, "to": newest["consignor"]}
    record.append(connection, actor, lambda: recorded_at, decision.told("turned_round", numbers, taker, at, body))


# ------------------------------------------------------------------------------------------------------------- writing
def _sender(connection: sa.Connection, actor: Actor, code: str) -> Row:
    newest = chains.newest_locked(connection, SHIPMENT, code, _visible(actor))
    if newest is None:
        raise errors.NotFound(what="shipment", name=code)
    actor.must_be(newest["consignor"], *SENDERS)
    return newest


def _visible(actor: Actor) -> sa.ColumnElement[bool] | None:
    return None if actor.sees_all else shipments.sees(actor.institutions)


def _taker(actor: Actor, shipment: Row, acting_for: str | None) -> str:
    """The institution that takes the decision to turn round: the consignor by its curator, or the carrier."""
    consignor, carrier = shipment["consignor"], shipment["carrier"]
    may = [consignor] if actor.has(consignor, "curator") else []
    may += [carrier] if {role for where, role in actor.roles if where == carrier} - READERS else []
    if acting_for is None and may:
        return str(may[0])
    if acting_for in may:
        return str(acting_for)
    raise errors.NotYourRole(
        needed=errors.Text("curator, or one who acts for the carrier {carrier}", carrier=carrier), institution=consignor
    )


def _moved(connection: sa.Connection, content: Row, newest: Row, at: datetime) -> tuple[set[str], datetime | None]:
    """Which items a change of addressee may read otherwise, and since when."""
    if same_institution(content["addressee"], newest["addressee"]):
        return set(), None
    return set(shipments.named_by(connection, content["code"], at)), at


def _write(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    written: Written,
    moved: Collection[str],
    since: datetime | None,
) -> Row:
    """Append a version; where facts were told already that it makes read otherwise, fold their items again."""
    scope = refold.reach(connection, moved, (), since) if moved and since else None
    before = [written.newest["recorded_at"]] if written.newest else []
    if scope:
        before += [items.lock(connection, scope.items)]
        scope, earlier = refold.reach(connection, moved, (), scope.since), scope
        if scope.items - earlier.items:
            raise record.AffectedGrew
    recorded_at = max([now(), *(at + TICK for at in before if at)])
    version = written.newest["version"] + 1 if written.newest else 1
    told = {"version": version, "valid_from": written.valid_from, "recorded_at": recorded_at}
    row = {**written.content, **told, "actor": actor.person, "because": written.because}
    shipments.add_version(connection, row)
    if scope:
        infos = refold.infos_of(items.by_numbers(connection, scope.items))
        found = refold.refold(connection, scope, [], (), infos, recorded_at)
        items.touch(connection, found.changed, recorded_at)
    return row


def _fill(connection: sa.Connection, actor: Actor, row: Row, contents: Collection[str]) -> None:
    told = {"shipment": row["code"], "recorded_at": row["recorded_at"], "actor": actor.person}
    shipments.add_items(connection, [{**told, "item": number} for number in contents])
    _settle(connection, contents)


def _settle_all(connection: sa.Connection, code: str, at: datetime) -> None:
    """The same for all that a shipment holds, however deep, where it has another addressee now."""
    tops = shipments.contents(connection, code, When(at, FOREVER))
    below = shipments.nested(connection, tops, When(at, FOREVER), at)
    _settle(connection, tops | {row["number"] for row in below})


def _settle(connection: sa.Connection, contents: Collection[str]) -> None:
    """Who is sent a thing has to do with it; who carries it, with the parcel alone."""
    items.lock(connection, contents)
    relations.settle(connection, contents)


# -------------------------------------------------------------------------------------------------------------- checks
def _next_code(connection: sa.Connection, consignor: str) -> str:
    """A code that is free: the consignor's, and how many shipments it sent before this one, counted up."""
    locks.hold(connection, f"shipments of {consignor}")
    count = shipments.count_of(connection, consignor) + 1
    while chains.newest(connection, SHIPMENT, f"{consignor}-T-{count}"):
        count += 1
    return f"{consignor}-T-{count}"


def _check_route(connection: sa.Connection, route: Route) -> None:
    documents.require_institution(connection, str(institution_of(route.addressee)), "/addressee")
    documents.require_institution(connection, route.carrier, "/carrier")


def _check_contents(connection: sa.Connection, actor: Actor, consignor: str, contents: Sequence[str]) -> None:
    """Whoever sends a thing lets the addressee see it, so it must be one that the consignor has to do with."""
    theirs = {number for number, _ in access.pairs_among(connection, contents, [consignor])}
    known = items.by_numbers(connection, contents).keys() if actor.sees_all else theirs
    for place, number in enumerate(contents):
        pointer = f"/contents/{place}"
        if number not in known:
            raise errors.NotFound(what="item", name=codes.display(number), pointer=pointer)
        if number in contents[:place]:
            why = errors.Text("{number} is named twice", number=codes.display(number))
            raise errors.Malformed(why=why, pointer=pointer)


def _check_holds(connection: sa.Connection, addressee: str, contents: Sequence[str], at: datetime) -> None:
    """What a case holds, in whatever it lies, goes nowhere but home."""
    within = {row["number"] for row in shipments.nested(connection, contents, When(at, FOREVER), at)}
    goes_to = str(institution_of(addressee))
    case_access.require_free(connection, {*contents, *within}, When(FOREVER, FOREVER), "/contents", goes_to=goes_to)
