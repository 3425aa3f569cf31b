"""Giving out numbers: prefixes for packaging, blocks to use without a network, and the things that carry them."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents, prints, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.prints import ISSUERS
from shipsvc.app.told import Envelope, Told, When
from shipsvc.domain import codes, errors
from shipsvc.domain.facts import Named
from shipsvc.domain.times import format_instant
from shipsvc.store import items, numbers
from shipsvc.store.engine import Row


@dataclass(frozen=True)
class Series:
    """The numbers under one prefix: whose they are, and of which collection (None: packaging)."""

    prefix: str
    owner: str
    collection: str | None


@dataclass(frozen=True)
class Issue:
    """Things that are to get numbers: ``count`` new ones under ``prefix``, or ``numbers`` out of blocks.

    ``id`` and ``label_id`` are of the facts that will tell of it; labels are printed where ``label_id`` is given.
    """

    id: str
    kind: str
    form: str
    what: str
    acting_for: str
    prefix: str | None = None
    count: int = 0
    numbers: tuple[str, ...] = ()
    happened_at: datetime | None = None
    described: Mapping[str, str] | None = None
    label_id: str | None = None


@dataclass(frozen=True)
class Issued:
    """Numbers that were given out, the fact that tells of it as it was answered, and the codes of the prints."""

    numbers: Sequence[str]
    answer: Mapping[str, Any]
    prints: Mapping[str, str]


# --------------------------------------------------------------------------------------------------------- prefixes
def claim_prefix(
    connection: sa.Connection, actor: Actor, now: datetime, prefix: str, institution: str, because: str
) -> Row:
    """Let an institution number its packaging under a prefix, for good. For its curators and registrars.

    NotYourRole; NotFound for an unknown institution; AlreadyThere for a prefix that is anybody's.
    """
    actor.must_be(institution, *documents.KEEPERS)
    documents.require_institution(connection, institution, "/institution")
    codes.make(prefix, 1)
    numbers.hold(connection, prefix)
    if items.prefix_owners(connection, [prefix]):
        raise errors.AlreadyThere(what="number prefix", name=prefix, pointer="/prefix")
    row = {
        "prefix": prefix,
        "institution": institution,
        "recorded_at": now,
        "actor": actor.person,
        "because": because,
    }
    numbers.claim(connection, row)
    return row


def prefixes(connection: sa.Connection, actor: Actor, *, after: str, limit: int) -> Sequence[Row]:
    """Packaging prefixes of the actor's institutions; all, for those who see all."""
    whose = None if actor.sees_all else actor.institutions
    return numbers.claims(connection, whose, after=after, limit=limit)


def series_of(connection: sa.Connection, prefix: str, pointer: str) -> Series:
    """Whose numbers under the prefix are; NotFound where they are nobody's."""
    found = items.prefix_owners(connection, [prefix])
    if prefix not in found:
        raise errors.NotFound(what="number prefix", name=prefix, pointer=pointer)
    return Series(prefix, *found[prefix])


# ----------------------------------------------------------------------------------------------------------- blocks
def hand_out(
    connection: sa.Connection, actor: Actor, now: datetime, block_id: str, prefix: str, count: int, institution: str
) -> Row:
    """Give an institution the next ``count`` numbers of a prefix, to use when it likes. For the owner's issuers.

    NotFound for an unknown prefix or institution, NotYourRole.
    """
    series = series_of(connection, prefix, "/prefix")
    actor.must_be(series.owner, *ISSUERS)
    documents.require_institution(connection, institution, "/institution")
    numbers.hold(connection, prefix)
    given = _next_in_a_row(connection, prefix, count)
    numbers.advance(connection, prefix, series.owner, codes.serial_of(given[-1]))
    row = {
        "id": block_id,
        "prefix": prefix,
        "first_serial": codes.serial_of(given[0]),
        "last_serial": codes.serial_of(given[-1]),
        "institution": institution,
        "recorded_at": now,
        "actor": actor.person,
    }
    numbers.add_block(connection, row)
    return row


def numbers_of(block: Row) -> list[str]:
    """The numbers of a block, in order."""
    ahead = (codes.make(block["prefix"], s) for s in range(block["first_serial"], block["last_serial"] + 1))
    return [number for number in ahead if codes.issuable(number)]


def block(connection: sa.Connection, actor: Actor, block_id: str) -> tuple[Row, set[str]]:
    """A block that the actor's institution gave or was given, and those of its numbers that are in use; NotFound."""
    found = numbers.block(connection, block_id, _concerns(actor))
    if found is None:
        raise errors.NotFound(what="block of numbers", name=block_id)
    return found, numbers.known_among(connection, numbers_of(found))


def blocks(
    connection: sa.Connection,
    actor: Actor,
    *,
    prefix: str | None,
    institution: str | None,
    after: tuple[str, int],
    limit: int,
) -> Sequence[Row]:
    """Blocks that the actor's institutions gave or were given, in the order of prefix and serial."""
    visible = _concerns(actor)
    return numbers.blocks(connection, visible, prefix=prefix, institution=institution, after=after, limit=limit)


def _concerns(actor: Actor) -> sa.ColumnElement[bool]:
    return sa.true() if actor.sees_all else numbers.concerns(actor.institutions)


def _next_in_a_row(connection: sa.Connection, prefix: str, count: int) -> list[str]:
    """The next numbers among which no other item's is: a block is told by its first and last."""
    last = numbers.last_serial(connection, prefix)
    while True:
        ahead = codes.numbers_after(prefix, last, count)
        known = numbers.known_among(connection, ahead)
        if not known:
            return ahead
        last = max(map(codes.serial_of, known))


# ------------------------------------------------------------------------------------------------------------ things
def issue(connection: sa.Connection, actor: Actor, now: Callable[[], datetime], wanted: Issue) -> Issued:
    """Register things under numbers, new ones or out of a block, and print their first labels where asked to.

    For the owner's issuers; out of a block, for those whom it was given to. NotFound, NotYourRole, Malformed,
    RuleForbids for numbers that are in no block of theirs, AlreadyThere for those in use.
    """
    series = _series(connection, wanted)
    _suits(series, wanted)
    numbers.hold(connection, series.prefix)
    if wanted.numbers:
        given: Sequence[str] = wanted.numbers
        _from_blocks(connection, actor, series, wanted)
    else:
        actor.must_be(series.owner, *ISSUERS)
        given = _next(connection, series, wanted.count)
    (answer,) = record.tell(connection, actor, now, Envelope(), [_registration(series, wanted, given, now())])
    if isinstance(answer, errors.ShipsvcError):
        raise answer
    made: Mapping[str, str] = {}
    if wanted.label_id:
        decision = Decision(wanted.label_id, "")
        made = prints.first_prints(connection, actor, now, given, wanted.acting_for, decision)
    return Issued(given, answer.body, made)


def take(connection: sa.Connection, actor: Actor, prefix: str, count: int) -> list[str]:
    """The next ``count`` numbers of a prefix, for things that the caller registers in this transaction.

    For the owner's issuers. NotFound, NotYourRole.
    """
    series = series_of(connection, prefix, "/prefix")
    actor.must_be(series.owner, *ISSUERS)
    numbers.hold(connection, prefix)
    return _next(connection, series, count)


def _series(connection: sa.Connection, wanted: Issue) -> Series:
    prefixes = {codes.prefix_of(number) for number in wanted.numbers} or {wanted.prefix or ""}
    if len(prefixes) > 1:
        raise errors.Malformed(why="the numbers of one request have one prefix", pointer="/numbers")
    series = series_of(connection, prefixes.pop(), "/numbers" if wanted.numbers else "/prefix")
    if not wanted.numbers and wanted.acting_for != series.owner:
        raise errors.NotYourRole(needed=errors.either(ISSUERS), institution=series.owner)
    return series


def _suits(series: Series, wanted: Issue) -> None:
    """Samples are numbered with their collection, packaging with its owner institution (rulings 24)."""
    if (wanted.kind == "sample") != (series.collection is not None):
        of_samples = "numbers under {prefix} are for samples of {of}. Use another prefix for a {kind}."
        of_packaging = "numbers under {prefix} are for packaging of {of}. Use another prefix for a {kind}."
        of = series.collection or series.owner
        why = errors.Text(
            of_samples if series.collection else of_packaging, prefix=series.prefix, of=of, kind=wanted.kind
        )
        raise errors.RuleForbids(why=why, pointer="/kind")


def _from_blocks(connection: sa.Connection, actor: Actor, series: Series, wanted: Issue) -> None:
    if wanted.acting_for == series.owner:
        actor.must_be(series.owner, *ISSUERS)
    blocks = numbers.blocks_with(connection, wanted.numbers)
    there = items.by_numbers(connection, wanted.numbers)
    for place, number in enumerate(wanted.numbers):
        held = blocks.get(number)
        if held is None or wanted.acting_for not in (held["institution"], series.owner):
            in_none = "{number} is in no block of numbers that {party} was given"
            why = errors.Text(in_none, number=codes.display(number), party=wanted.acting_for)
            raise errors.RuleForbids(why=why, pointer=f"/numbers/{place}")
        if number in there and not there[number]["provisional"]:
            raise errors.AlreadyThere(what="item", name=codes.display(number), pointer=f"/numbers/{place}")


def _next(connection: sa.Connection, series: Series, count: int) -> list[str]:
    """The next numbers that nothing goes by; a number that somebody told of before it was given out is passed over."""
    last = numbers.last_serial(connection, series.prefix)
    found: list[str] = []
    while len(found) < count:
        ahead = codes.numbers_after(series.prefix, last, count - len(found))
        known = numbers.known_among(connection, ahead)
        found += [number for number in ahead if number not in known]
        last = codes.serial_of(ahead[-1])
    numbers.advance(connection, series.prefix, series.owner, last)
    return found


def _registration(series: Series, wanted: Issue, given: Collection[str], now: datetime) -> Told:
    raw = format_instant(wanted.happened_at or now)
    source = "typed" if wanted.happened_at else "server"
    body = {"item": wanted.kind, "form": wanted.form, "what": wanted.what, "owner": series.owner}
    body |= wanted.described or {}
    request = {
        "id": wanted.id,
        "kind": "registered",
        "subjects": list(given),
        "time": {"raw": raw, "source": source},
        "acting_for": wanted.acting_for,
        "body": body,
    }
    subjects = tuple(map(Named, given))
    return Told(wanted.id, "registered", subjects, When(raw, source), wanted.acting_for, body, request)
