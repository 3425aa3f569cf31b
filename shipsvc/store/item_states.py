"""SELECTs about items as they stood at a moment: one item with its nest, a page of many, what is in one."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.store import access, moments, spans
from shipsvc.store.access import Outsider
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.events import EVENT
from shipsvc.store.items import Names
from shipsvc.store.reads import AT_LAST
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, Alias, table
from shipsvc.store.tables_derived import Flag, Item, ItemParty

ITEM = table(Item)
ALIAS = table(Alias)
PARTY = table(ItemParty)
FLAG = table(Flag)
#: What changes together: since when each has been as it is, and by which fact.
PARTS: Final[Mapping[str, tuple[str, ...]]] = {
    "custody": ("certain", "claimed", "handover"),
    "where": ("status", "place"),
    "nest": ("parent",),
    "book": ("mass_ng", "variance", "how"),
}
#: How the owner's reserve stands, and its internal cases, are nobody else's affair.
_OWNERS_ONLY = ("below_reserve_floor", "on_internal_hold")


@dataclass(frozen=True)
class Sought:
    """Which items a list is to hold; None stands for any. ``begins_with``, ``name`` and ``words`` are ways to be found,
    of which one will do; ``number`` takes their place where it is known."""

    kind: str | None = None
    owner: str | None = None
    registered: bool | None = None
    holder: str | None = None
    place: str | None = None
    status: str | None = None
    number: str | None = None
    begins_with: str | None = None
    name: str | None = None
    words: tuple[str, ...] = ()

    @property
    def asks_for_state(self) -> bool:
        """Whether it depends on where an item is or who holds it."""
        return (self.holder, self.place, self.status) != (None, None, None)


@dataclass(frozen=True)
class Eyes:
    """For whom a list is: the clause on items that they may see, the clause on names that they may find them by, and
    their institutions (None: they see all)."""

    visible: sa.ColumnElement[bool]
    names: Names
    institutions: frozenset[str] | None


def holding(when: When, now: datetime) -> sa.ColumnElement[bool]:
    """A clause: the span that held at the moment. About now it reads what is live, else it says so that it does not."""
    if when.known_on == FOREVER and when.as_of >= now:
        return spans.at(when.as_of, None)
    return spans.at(when.as_of, min(when.known_on, AT_LAST))


def one(connection: sa.Connection, number: str, visible: sa.ColumnElement[bool]) -> Row | None:
    """The row of one item, if it is visible."""
    return first_row(connection, sa.select(ITEM).where(ITEM.c.number == number, visible))


def span_at(connection: sa.Connection, number: str, when: When, now: datetime) -> Row | None:
    """The span of one item that held at the moment."""
    return first_row(connection, sa.select(SPAN).where(SPAN.c.item == number, holding(when, now)))


def concerned_until(connection: sa.Connection, number: str, institutions: Collection[str]) -> datetime | None:
    """Until when one of the institutions had to do with an item, as known now; None where none ever had."""
    found: datetime | None = connection.execute(sa.select(access.until(sa.literal(number), institutions))).scalar()
    return found


def theirs(institutions: Collection[str], at: datetime) -> sa.ColumnElement[bool]:
    """A clause on an item and its span: one of the institutions owns it, or has to do with it by that very span."""
    return sa.or_(ITEM.c.owner.in_(institutions), access.concerns(institutions, at))


# ------------------------------------------------------------------------------------------------- since when, and by
def beginnings(connection: sa.Connection, span: Row, when: When) -> dict[str, Row]:
    """For each of PARTS the span in which it came to be as in ``span``: when, by which fact, of which nest."""
    its = (SPAN.c.item == span["item"], moments.known(SPAN.c.known_from, SPAN.c.known_to, when))
    earlier = sa.select(*(_began(span, part).label(part) for part in PARTS)).where(
        *its, SPAN.c.to_at <= span["from_at"]
    )
    began = first_row(connection, earlier) or {}
    columns = (SPAN.c.from_at, SPAN.c.event_id, SPAN.c.by_item)
    wanted = sa.select(*columns).where(*its, SPAN.c.from_at.in_({at for at in began.values() if at}))
    found = {row["from_at"]: row for row in rows(connection, wanted)}
    return {part: found.get(began.get(part), span) for part in PARTS}


def _began(span: Row, part: str) -> sa.ColumnElement[datetime]:
    """The end of the last earlier span in which it was otherwise; the first beginning where it always was so."""
    differs = sa.or_(*(SPAN.c[name].is_distinct_from(span[name]) for name in PARTS[part]))
    return sa.func.coalesce(sa.func.max(sa.case((differs, SPAN.c.to_at))), sa.func.min(SPAN.c.from_at))


# ----------------------------------------------------------------------------------------------------------- the nest
def contents(
    connection: sa.Connection,
    number: str,
    visible: sa.ColumnElement[bool],
    when: When,
    now: datetime,
    *,
    after: str,
    limit: int,
) -> Sequence[Row]:
    """What is directly in an item, as far as it is visible, in the order of numbers."""
    wanted = (
        sa.select(ITEM, SPAN.c.status, SPAN.c.from_at, SPAN.c.event_id)
        .select_from(SPAN.join(ITEM, ITEM.c.number == SPAN.c.item))
        .where(SPAN.c.parent == number, holding(when, now), visible, SPAN.c.item > after)
        .order_by(SPAN.c.item)
        .limit(limit)
    )
    return rows(connection, wanted)


# ---------------------------------------------------------------------------------------------------------- the list
def page(
    connection: sa.Connection,
    sought: Sought,
    eyes: Eyes,
    when: When,
    now: datetime,
    *,
    after: str,
    limit: int,
) -> Sequence[Row]:
    """Items in the order of their numbers behind ``after``, each with its span where there is one.

    ``shown`` of a row is whether its span may be seen too; a list that asks for a state holds only items whose is.
    """
    shown = sa.true() if eyes.institutions is None else theirs(eyes.institutions, when.as_of)
    both, order = _from(sought, eyes, holding(when, now))
    clauses = [holding(when, now), shown, *_state(sought)] if sought.asks_for_state else []
    columns = (c for c in SPAN.c if c.name != "item")
    wanted = sa.select(ITEM, *columns, sa.func.coalesce(shown, sa.false()).label("shown")).select_from(both)
    wanted = wanted.where(order > after, eyes.visible, *clauses, *_kept(sought, eyes))
    return rows(connection, wanted.order_by(order).limit(limit))


def _from(sought: Sought, eyes: Eyes, held: sa.ColumnElement[bool]) -> tuple[sa.FromClause, sa.ColumnElement[str]]:
    """What to walk in the order of numbers: the spans for a state, else the items, or those of a single institution."""
    if sought.asks_for_state:
        return SPAN.join(ITEM, ITEM.c.number == SPAN.c.item), SPAN.c.item
    span = sa.and_(SPAN.c.item == ITEM.c.number, held)
    if eyes.institutions is None or len(eyes.institutions) != 1:
        return ITEM.outerjoin(SPAN, span), ITEM.c.number
    (institution,) = eyes.institutions
    mine = PARTY.alias("mine")
    its = sa.and_(mine.c.item == ITEM.c.number, mine.c.institution == institution)
    return mine.join(ITEM, its).outerjoin(SPAN, span), mine.c.item


def _state(sought: Sought) -> list[sa.ColumnElement[bool]]:
    wanted = {SPAN.c.holder: sought.holder, SPAN.c.place: sought.place, SPAN.c.status: sought.status}
    return [column == value for column, value in wanted.items() if value is not None]


def _kept(sought: Sought, eyes: Eyes) -> list[sa.ColumnElement[bool]]:
    clauses: list[sa.ColumnElement[bool]] = []
    if sought.kind is not None:
        clauses.append(ITEM.c.kind == sought.kind)
    if sought.owner is not None:
        clauses.append(ITEM.c.owner == sought.owner)
    if sought.registered is not None:
        clauses.append(ITEM.c.provisional.is_(not sought.registered))
    if sought.number is not None:
        clauses.append(ITEM.c.number == sought.number)
    elif sought.name is not None:
        clauses.append(_named(sought, eyes))
    return clauses


def _named(sought: Sought, eyes: Eyes) -> sa.ColumnElement[bool]:
    """By the beginning of its number, by another name of it, or by words in what it is."""
    ways: list[sa.ColumnElement[bool]] = [
        ITEM.c.number.in_(sa.select(ALIAS.c.item).where(ALIAS.c.alias == sought.name, eyes.names(ALIAS, ALIAS.c.item)))
    ]
    if sought.begins_with:
        ways.append(ITEM.c.number.like(f"{sought.begins_with}%"))
    if sought.words:
        ways.append(sa.and_(*(_has(word) for word in sought.words)))
    return sa.or_(*ways)


def _has(word: str) -> sa.ColumnElement[bool]:
    """Both sides are folded by the database, so that what it takes for small letters is the same for both."""
    pattern = "%" + word.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
    return sa.func.lower(ITEM.c.what).like(sa.func.lower(pattern), escape="\\")


# ------------------------------------------------------------------------------------------------------------- flags
def flags(connection: sa.Connection, number: str, when: When, outsider: Outsider | None) -> Sequence[Row]:
    """What a person should look at, raised by facts that had happened by then; for an outsider, by facts that they told
    or may read."""
    wanted = (
        sa.select(FLAG.c.code, FLAG.c.detail, FLAG.c.event_id, FLAG.c.known_from)
        .select_from(FLAG.join(EVENT, EVENT.c.id == FLAG.c.event_id))
        .where(
            FLAG.c.item == number,
            moments.known(FLAG.c.known_from, FLAG.c.known_to, when),
            # A fact that lies ahead is flagged as such at once; it is looked at before its time.
            sa.or_(EVENT.c.happened_at <= when.as_of, FLAG.c.code == "future"),
        )
        .order_by(FLAG.c.known_from, FLAG.c.event_id, FLAG.c.code)
    )
    if outsider is not None:
        told = EVENT.c.acting_for.in_(outsider.institutions)
        readable = access.may_read(FLAG.c.item, EVENT.c.happened_at, _kind(FLAG.c.item), outsider)
        wanted = wanted.where(sa.or_(told, readable), FLAG.c.code.not_in(_OWNERS_ONLY))
    return rows(connection, wanted)


def _kind(item: sa.ColumnElement[str]) -> sa.ColumnElement[str]:
    return sa.select(ITEM.c.kind).where(ITEM.c.number == item).scalar_subquery()


def concerns_at(connection: sa.Connection, number: str, institutions: Collection[str], at: datetime) -> bool:
    """Whether one of the institutions had to do with an item at an instant, as known now."""
    held = (SPAN.c.item == number, SPAN.c.known_to == FOREVER, SPAN.c.from_at <= at, SPAN.c.to_at > at)
    wanted = sa.select(SPAN.c.item).where(*held, access.concerns(institutions, at)).limit(1)
    return connection.execute(wanted).first() is not None


def concerned_since(
    connection: sa.Connection, number: str, institutions: Collection[str], at: datetime
) -> datetime | None:
    """Since when, without a break until that instant, one of the institutions had to do with an item, as known now;
    None: always."""
    theirs = sa.func.coalesce(access.concerns(institutions, SPAN.c.from_at), sa.false())
    before = (SPAN.c.item == number, SPAN.c.known_to == FOREVER, SPAN.c.to_at <= at)
    found: datetime | None = connection.execute(sa.select(sa.func.max(SPAN.c.to_at)).where(*before, ~theirs)).scalar()
    return found


def visible_among(connection: sa.Connection, numbers: Collection[str], visible: sa.ColumnElement[bool]) -> set[str]:
    """Those of the numbers whose items are visible."""
    wanted = sa.select(ITEM.c.number).where(ITEM.c.number.in_(numbers), visible)
    return set(connection.execute(wanted).scalars())


def holder_at(connection: sa.Connection, number: str, when: When, now: datetime) -> str | None:
    """The institution that certainly holds an item."""
    wanted: sa.Select[Any] = sa.select(SPAN.c.holder).where(SPAN.c.item == number, holding(when, now))
    found: str | None = connection.execute(wanted).scalar()
    return found


def samples_there(connection: sa.Connection, owner: str | None, now: datetime, after: str, limit: int) -> list[str]:
    """Up to ``limit`` samples that have not ended, of one owner or of all, in the order of numbers behind ``after``."""
    joined = ITEM.join(SPAN, SPAN.c.item == ITEM.c.number)
    wanted = sa.select(ITEM.c.number).select_from(joined).where(ITEM.c.kind == "sample", ITEM.c.number > after)
    wanted = wanted.where(spans.at(now, None), SPAN.c.status != "ended")
    if owner is not None:
        wanted = wanted.where(ITEM.c.owner == owner)
    return list(connection.execute(wanted.order_by(ITEM.c.number).limit(limit)).scalars())
