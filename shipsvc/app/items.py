"""Items as they stand: found by number, label or other name; one with its nest, mass and loan; many in a list."""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import access, case_access, heritage, prints
from shipsvc.app.access import Actor
from shipsvc.app.heritage import Carried
from shipsvc.app.prints import Label
from shipsvc.domain import codes, errors
from shipsvc.domain.fold import DEPTH_MAX
from shipsvc.store import item_states, items, locks, successions
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.item_states import ITEM, Eyes, Sought
from shipsvc.store.tables import FOREVER

#: How much of what is in an item comes with it; the rest has pages of its own.
CONTENTS_SHOWN: Final = 50
#: Where it came to be as it stands before that was theirs to see.
_BEFORE: Final[Row] = {"from_at": None, "event_id": None, "by_item": ""}
_NEVER: Final = datetime(1, 1, 1, tzinfo=UTC)
_SEPARATORS: Final = re.compile(r"[\s-]+")
_BEGINNING: Final = re.compile(r"[A-HJ-NP-Z]{1,6}[0-9]{0,8}")


@dataclass(frozen=True)
class Found:
    """An item that the actor may see, and until when what befell it is theirs to know (rulings 16).

    ``outside_only``: they only carry or stop it, and are not told what is in it.
    """

    row: Row
    until: datetime
    outside_only: bool = False

    @property
    def number(self) -> str:
        """Its number."""
        return str(self.row["number"])


@dataclass(frozen=True)
class Step:
    """What an item is in: the container (its row only where the actor sees it), since when and by which fact."""

    number: str
    row: Row | None
    since: datetime | None
    event_id: str | None


@dataclass(frozen=True)
class Standing:
    """How an item stood: its span, since when each part of that (None: before it was theirs to see), the nest upwards.

    ``owed_by`` is its borrower, or the institution that took over from that one.
    """

    span: Row
    beginnings: Mapping[str, Row]
    nest: Sequence[Step]
    shows_loan: bool
    owed_by: str | None


@dataclass(frozen=True)
class Shown:
    """All that is answered about one item; ``standing`` is None where there is none or it is not theirs to see."""

    found: Found
    aliases: Sequence[Row]
    standing: Standing | None
    contents: Sequence[Row]
    flags: Sequence[Row]
    carries: Sequence[Carried]
    label: Label | None
    on_hold: Sequence[str]


# ---------------------------------------------------------------------------------------------------------- finding one
def find(connection: sa.Connection, actor: Actor, typed: str) -> Found:
    """The item that a number, a print code or another name of it means.

    WrongCheckCharacter where it is a number written wrong; NotFound, the same for what is unknown and what is not
    theirs to see; Malformed for a name that several things go by.
    """
    row = item_states.one(connection, _meant(connection, actor, typed), access.sees(actor, ITEM.c.number))
    if row is None:
        raise errors.NotFound(what="item", name=typed)
    outside_only = bool(access.outside_only(connection, actor, [row["number"]]))
    return Found(_outside(row) if outside_only else row, _until(connection, actor, row), outside_only)


def seen_among(connection: sa.Connection, actor: Actor, numbers: Collection[str]) -> set[str]:
    """Those of the numbers, as they are written for people, that the actor would find."""
    plain = {codes.parse(number) for number in numbers}
    found = item_states.visible_among(connection, plain, access.sees(actor, ITEM.c.number)) if plain else set()
    return {codes.display(number) for number in found}


def require_state(connection: sa.Connection, actor: Actor, found: Found, as_of: datetime) -> None:
    """NotFound unless the actor may see how a found item stood at a moment, and what is in it."""
    if found.outside_only or not sees_state(connection, actor, found.row, as_of):
        raise errors.NotFound(what="item", name=codes.display(found.number))


def sees_state(connection: sa.Connection, actor: Actor, row: Row, as_of: datetime) -> bool:
    """Whether they had to do with it at that moment, as known now: where it was in between is not theirs to know."""
    if actor.sees_all or row["owner"] in actor.institutions:
        return True
    return item_states.concerns_at(connection, row["number"], actor.institutions, as_of)


def _outside(row: Row) -> Row:
    return {**row, "what": ""}


def _meant(connection: sa.Connection, actor: Actor, typed: str) -> str:
    try:
        return codes.parse_seen(typed).number
    except errors.Malformed as malformed:
        called = items.called(connection, typed, access.names(actor))
        if len(called) > 1:
            named = ", ".join(map(codes.display, called))
            several = "several things go by the name {typed}: {named}. Ask by number."
            raise errors.Malformed(why=errors.Text(several, typed=typed, named=named)) from None
        if called:
            return called[0]
        if isinstance(malformed, errors.WrongCheckCharacter):
            raise
        raise errors.NotFound(what="item", name=typed) from None


def _until(connection: sa.Connection, actor: Actor, row: Row) -> datetime:
    if actor.sees_all or row["owner"] in actor.institutions:
        return FOREVER
    return item_states.concerned_until(connection, row["number"], actor.institutions) or _NEVER


# ---------------------------------------------------------------------------------------------------------- showing one
def show(connection: sa.Connection, actor: Actor, typed: str, when: When, now: datetime) -> Shown:
    """One item as it stood at a moment, by what was known on a moment; raises as ``find`` does."""
    found = find(connection, actor, typed)
    number = found.number
    theirs = sees_state(connection, actor, found.row, when.as_of)
    eyes = access.reads_of(actor, found.row, now)
    whose = None if eyes is None else {*actor.institutions, found.row["owner"]}
    return Shown(
        found,
        () if found.outside_only else items.aliases(connection, number, whose),
        standing(connection, actor, found, when, now) if theirs else None,
        inside(connection, actor, number, when, now, limit=CONTENTS_SHOWN + 1) if theirs else (),
        item_states.flags(connection, number, when, eyes) if theirs and not found.outside_only else (),
        heritage.carried(connection, actor, number, when) if theirs and not found.outside_only else (),
        prints.live(connection, number, prints.by_then(when, now)),
        case_access.on_hold(connection, actor, number, when, now),
    )


def standing(connection: sa.Connection, actor: Actor, found: Found, when: When, now: datetime) -> Standing | None:
    """How a found item stood, or None where nothing was known of it."""
    span = item_states.span_at(connection, found.number, when, now)
    if span is None:
        return None
    since = _theirs_since(connection, actor, found.row, when.as_of)
    span, beginnings = _clipped(span, item_states.beginnings(connection, span, when), since)
    if found.outside_only:
        span = {**span, "mass_ng": None, "profile": None}
    sides = {span["lender"], span["borrower"], found.row["owner"]}
    shows_loan = not found.outside_only and (actor.sees_all or not sides.isdisjoint(actor.institutions))
    # A loan that ended before would stand there only as long as no other one followed it.
    shows_loan = shows_loan and (since == _NEVER or (span["line_since"] or _NEVER) >= since)
    nest = _nest(connection, actor, span, beginnings, when, now)
    borrower = span["borrower"]
    owed_by = successions.heirs(connection, when).of(borrower) if borrower else None
    return Standing(span, beginnings, nest, shows_loan, owed_by)


def _theirs_since(connection: sa.Connection, actor: Actor, row: Row, as_of: datetime) -> datetime:
    """Since when how an item stands is theirs to see. Of what came before, they read the facts that are theirs to read:
    a date alone could tell of a loan that is kept from them."""
    if actor.sees_all or row["owner"] in actor.institutions:
        return _NEVER
    return item_states.concerned_since(connection, row["number"], actor.institutions, as_of) or _NEVER


def _clipped(span: Row, beginnings: Mapping[str, Row], since: datetime) -> tuple[Row, dict[str, Row]]:
    """The same without what happened before ``since``."""
    held_since = span["certain_since"]
    clipped = {**span, "certain_since": held_since if held_since and held_since >= since else None}
    return clipped, {part: row if row["from_at"] >= since else _BEFORE for part, row in beginnings.items()}


def _nest(
    connection: sa.Connection, actor: Actor, span: Row, beginnings: Mapping[str, Row], when: When, now: datetime
) -> list[Step]:
    """From the innermost container outwards, as far as the actor sees it and one step beyond.

    That a thing is in a box is a fact about the thing, so the box is named; what that box is in is not.
    """
    steps: list[Step] = []
    inner: Row | None = span
    while inner is not None and inner["parent"] is not None and len(steps) < DEPTH_MAX:
        put = beginnings["nest"]
        row = item_states.one(connection, inner["parent"], access.sees(actor, ITEM.c.number))
        steps.append(Step(inner["parent"], row, put["from_at"], put["event_id"]))
        inner = item_states.span_at(connection, inner["parent"], when, now) if row else None
        if row and inner:
            since = _theirs_since(connection, actor, row, when.as_of)
            _, beginnings = _clipped(inner, item_states.beginnings(connection, inner, when), since)
    return steps


def inside(
    connection: sa.Connection, actor: Actor, number: str, when: When, now: datetime, *, limit: int, after: str = ""
) -> Sequence[Row]:
    """What is directly in an item, as far as the actor may see it."""
    visible = access.sees(actor, ITEM.c.number)
    if not actor.sees_all:
        visible = sa.and_(visible, item_states.theirs(actor.institutions, when.as_of))
    return item_states.contents(connection, number, visible, when, now, after=after, limit=limit)


# ---------------------------------------------------------------------------------------------------------------- list
def sought(q: str | None, **filters: Any) -> Sought:
    """What a list is asked for. ``q`` is a number, the beginning of one, another name, or words of what it is."""
    if q is None:
        return Sought(**filters)
    try:
        return Sought(number=codes.parse_seen(q).number, **filters)
    except errors.Malformed:
        begins = _SEPARATORS.sub("", q).upper()
        begins_with = begins if _BEGINNING.fullmatch(begins) else None
        return Sought(name=q.strip(), begins_with=begins_with, words=tuple(q.split()), **filters)


def page(
    connection: sa.Connection, actor: Actor, wanted: Sought, when: When, now: datetime, *, after: str, limit: int
) -> Sequence[Row]:
    """Items that the actor may see, in the order of their numbers; ``shown`` says whether their state is theirs too."""
    mine = None if actor.sees_all else actor.institutions
    eyes = Eyes(access.sees(actor, ITEM.c.number), access.names(actor), mine)
    found = item_states.page(connection, wanted, eyes, when, now, after=after, limit=limit)
    outside = access.outside_only(connection, actor, [row["number"] for row in found])
    return [{**_outside(row), "mass_ng": None} if row["number"] in outside else row for row in found]


# ------------------------------------------------------------------------------------------------------------- aliases
def add_alias(
    connection: sa.Connection, actor: Actor, now: datetime, typed: str, institution: str, name: str
) -> tuple[Row, bool]:
    """Note that an item goes by another name at an institution; the row, and whether it is new.

    For whoever may speak for the institution. A name means one thing there for ever: AlreadyThere otherwise. Malformed
    for a name that reads as a number of ours. Raises as ``find`` does.
    """
    actor.may_speak_for(institution, pointer="/institution")
    found = find(connection, actor, typed)
    _require_no_number(name)
    locks.hold(connection, f"alias {institution} {name}")
    before = items.alias(connection, institution, name)
    if before is not None and before["item"] != found.number:
        raise errors.AlreadyThere(what="other name", name=name, pointer="/alias")
    if before is not None:
        return before, False
    row = {
        "institution": institution,
        "alias": name,
        "item": found.number,
        "recorded_at": now,
        "actor": actor.person,
    }
    items.add_alias(connection, row)
    return row, True


def _require_no_number(name: str) -> None:
    """A name that reads as a number would hide that number, or be hidden by it."""
    try:
        number = codes.parse_seen(name).number
    except errors.Malformed:
        return
    why = errors.Text("{name} reads as the number {number}", name=name, number=codes.display(number))
    raise errors.Malformed(why=why, pointer="/alias")
