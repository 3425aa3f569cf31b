"""The SQL of who may see what (app.access decides who asks; rulings 16).

An institution has to do with an item while it owns it, certainly holds it, is handed it by its holder, lends or owes
it, or is addressed by the shipment that it travels on. ``item_party`` keeps, of each pair, when the last of that ends
as known now; what happened before that may be read for ever, what came after may not.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, Loan, Shipment, table
from shipsvc.store.tables_derived import OUT_LINES, Item, ItemParty

PARTY = table(ItemParty)
ITEM = table(Item)
LOAN = table(Loan)
SHIPMENT = table(Shipment)
#: In which states of its line a sample is its lender's and its borrower's affair.
THEIR_LINES = ("promised", *OUT_LINES)
#: What two sides and a carrier say of a parcel between them: whoever is named by the shipment was party to it.
BETWEEN_PARTIES = ("released", "accepted", "rejected", "held", "freed", "turned_round", "refilled")

# Statements of the write path are made once: building one takes longer than running it.
_ADD = sa.insert(PARTY)
_ADD_NEW = {
    "postgresql": postgresql.insert(PARTY).on_conflict_do_nothing(),
    "sqlite": sqlite.insert(PARTY).on_conflict_do_nothing(),
}
_OF_ITEMS = sa.select(PARTY).where(among(PARTY.c.item))
_PAIRS = sa.select(PARTY.c.item, PARTY.c.institution, PARTY.c.until).where(
    among(PARTY.c.item, "items"), among(PARTY.c.institution, "institutions")
)
_DROP = sa.delete(PARTY).where(
    PARTY.c.item == sa.bindparam("of_item"), PARTY.c.institution == sa.bindparam("of_institution")
)


@dataclass(frozen=True)
class Outsider:
    """Whoever reads what others told of an item that they do not own: for which institutions, and at what moment."""

    institutions: frozenset[str]
    now: datetime


# -------------------------------------------------------------------------------------------------------------- clauses
def related(item: sa.ColumnElement[str], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: one of the institutions has, or had, to do with the item."""
    return sa.exists().where(PARTY.c.item == item, PARTY.c.institution.in_(institutions))


def until(item: sa.ColumnElement[str], institutions: Collection[str]) -> sa.ColumnElement[Any]:
    """When the last of the institutions ceases to have to do with the item."""
    ends = sa.select(sa.func.max(PARTY.c.until))
    return ends.where(PARTY.c.item == item, PARTY.c.institution.in_(institutions)).scalar_subquery()


def concerned(institution: sa.ColumnElement[str], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: the institution is one of those, or has to do with an item of a collection that one of those owns."""
    owned = ITEM.join(PARTY, PARTY.c.item == ITEM.c.number)
    theirs = (PARTY.c.institution == institution, ITEM.c.collection.is_not(None), ITEM.c.owner.in_(institutions))
    return sa.or_(institution.in_(institutions), sa.exists().select_from(owned).where(*theirs))


def concerns(
    institutions: Collection[str], at: Any, span: sa.FromClause = SPAN, aside: Any = lambda column: column
) -> sa.ColumnElement[bool]:
    """A clause on a span that holds at an instant: by it, one of the institutions has to do with the item.

    Nobody's bare claim counts, nor what somebody declares that others did: that would let anybody see what they name
    (rulings 17). ``aside`` wraps columns that must lead to no index.
    """
    holder, claimant = aside(span.c.holder), aside(span.c.claimant)
    lender, borrower = aside(span.c.lender), aside(span.c.borrower)
    handed = sa.and_(claimant.in_(institutions), _counts(span))
    on_loan = sa.and_(span.c.line.in_(THEIR_LINES), sa.or_(lender.in_(institutions), borrower.in_(institutions)))
    return sa.or_(holder.in_(institutions), handed, on_loan, _addressed(institutions, span, at))


def _counts(span: sa.FromClause) -> sa.ColumnElement[bool]:
    """A claim by which one has to do with a thing: its holder says so; or it says so itself on a shipment of the
    holder's that addresses it, whose release is not told yet."""
    to_it = SHIPMENT.alias("to_claimant")
    expected = sa.exists().where(
        to_it.c.consignor == span.c.holder,
        sa.or_(
            to_it.c.addressee == span.c.claimant,
            to_it.c.addressee.like(span.c.claimant.concat("/%")),
        ),
        span.c.words.like(sa.literal('%"shipment": "').concat(to_it.c.code).concat('"%')),
    )
    return sa.or_(span.c.handover == "giver_only", sa.and_(span.c.handover == "taker_only", expected))


def _addressed(institutions: Collection[str], span: sa.FromClause, at: Any) -> sa.ColumnElement[bool]:
    """The shipment that it was sent on was addressed to one of them then."""
    sent, later = SHIPMENT.alias("sent_on"), SHIPMENT.alias("later_sent_on")
    in_force = (
        sa.select(sa.func.max(later.c.version))
        .where(later.c.code == sent.c.code, sa.or_(later.c.version == 1, later.c.valid_from <= at))
        .scalar_subquery()
    )
    to_them = sa.exists().where(
        sent.c.code == span.c.sent_on, sent.c.version == in_force, _is_at(sent.c.addressee, institutions)
    )
    return sa.and_(span.c.sent_on.is_not(None), to_them)


def _is_at(party: sa.ColumnElement[str], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """The party is one of the institutions, or a desk of it. No character of a code is a wildcard of LIKE."""
    return sa.or_(party.in_(institutions), *(party.like(f"{one}/%") for one in sorted(institutions)))


def kept_from(item: Any, at: sa.ColumnElement[datetime], outsider: Outsider) -> sa.ColumnElement[bool]:
    """A clause: at that instant the item was on a loan that is still confidential, and to which they are no side.

    The ends belong to it: what ends a loan happens at the instant at which its last span ends.
    """
    span, loan, newer = SPAN.alias("on_loan"), LOAN.alias("of_others"), LOAN.alias("newer")
    newest = sa.select(sa.func.max(newer.c.version)).where(newer.c.code == loan.c.code).scalar_subquery()
    return sa.exists().where(
        span.c.item == item,
        span.c.known_to == FOREVER,
        span.c.from_at <= at,
        span.c.to_at >= at,
        span.c.line.in_(THEIR_LINES),
        loan.c.code == span.c.loan,
        loan.c.version == newest,
        loan.c.confidential_to > outsider.now,
        loan.c.lender.not_in(outsider.institutions),
        loan.c.borrower.not_in(outsider.institutions),
    )


def was_party(institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause on a fact: it was told between parties, on a shipment that names one of the institutions."""
    named = sa.exists().where(
        SHIPMENT.c.code == EVENT.c.shipment,
        sa.or_(
            SHIPMENT.c.carrier.in_(institutions),
            _is_at(SHIPMENT.c.consignor, institutions),
            _is_at(SHIPMENT.c.addressee, institutions),
        ),
    )
    return sa.and_(EVENT.c.kind.in_(BETWEEN_PARTIES), EVENT.c.shipment.is_not(None), named)


def in_their_time(item: Any, at: sa.ColumnElement[datetime], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: at that instant one of the institutions had to do with the item, by a span as known now.

    Of packaging that goes round: where it was in between is nobody's affair. Both ends of a span belong to it.
    """
    span = SPAN.alias("their_time")
    return sa.exists().where(
        span.c.item == item,
        span.c.known_to == FOREVER,
        span.c.from_at <= at,
        span.c.to_at >= at,
        concerns(institutions, at, span),
    )


def ends_after(item: Any, at: sa.ColumnElement[datetime], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: that instant lies before the end of all that one of them has to do with the item."""
    return sa.exists().where(PARTY.c.item == item, PARTY.c.institution.in_(institutions), PARTY.c.until > at)


def may_read(item: Any, at: sa.ColumnElement[datetime], kind: Any, outsider: Outsider) -> sa.ColumnElement[bool]:
    """A clause: what happened to the item, of that kind, at that instant is theirs to read, who do not own it."""
    theirs = outsider.institutions
    before = ends_after(item, at, theirs)
    of_material = sa.and_(kind == "sample", ~kept_from(item, at, outsider))
    of_packaging = sa.and_(kind != "sample", in_their_time(item, at, theirs))
    return sa.and_(before, sa.or_(of_material, of_packaging))


def names(alias: sa.FromClause, item: Any, institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: the alias is one of theirs, or of the item's owner; of their own item, any."""
    whose = sa.or_(ITEM.c.owner == alias.c.institution, ITEM.c.owner.in_(institutions))
    known = sa.or_(alias.c.institution.in_(institutions), sa.exists().where(ITEM.c.number == item, whose))
    return sa.and_(related(item, institutions), known)


# ---------------------------------------------------------------------------------------------------------------- pairs
def relate(connection: sa.Connection, pairs: Mapping[tuple[str, str], datetime], items: Collection[str]) -> None:
    """Let ``pairs``, (item, institution) and until when, be all that is noted of the items."""
    found = {(row["item"], row["institution"]): row["until"] for row in rows(connection, _OF_ITEMS, some=items)}
    stale = [pair for pair, end in sorted(found.items()) if pairs.get(pair) != end]
    fresh = [(*pair, end) for pair, end in sorted(pairs.items()) if found.get(pair) != end]
    if stale:
        connection.execute(_DROP, [{"of_item": item, "of_institution": one} for item, one in stale])
    if fresh:
        connection.execute(_ADD, [{"item": item, "institution": one, "until": end} for item, one, end in fresh])


def add_owners(connection: sa.Connection, owners: Iterable[tuple[str, str]]) -> None:
    """Note the owners, as (item, owner) pairs, of items that are new: nobody else has to do with these yet."""
    found = [{"item": item, "institution": owner, "until": FOREVER} for item, owner in sorted(set(owners))]
    if found:
        connection.execute(_ADD_NEW[connection.dialect.name], found)


def pairs_among(
    connection: sa.Connection, items: Collection[str], institutions: Collection[str], since: datetime | None = None
) -> set[tuple[str, str]]:
    """Which of the institutions have, or had, to do with which of the items, as (item, institution) pairs; with
    ``since`` only those that still have then."""
    found = connection.execute(_PAIRS, {"items": list(items), "institutions": list(institutions)})
    return {(item, institution) for item, institution, end in found if since is None or end > since}


# ------------------------------------------------------------------------------------------------- of what pairs follow
def _ends(institution: sa.ColumnElement[Any], *clauses: sa.ColumnElement[bool]) -> sa.Select[Any]:
    outside = sa.case((SPAN.c.parent.is_(None), 1), else_=0).label("outside")
    columns = (SPAN.c.item, institution.label("institution"), outside, sa.func.max(SPAN.c.to_at).label("until"))
    known = (among(SPAN.c.item), SPAN.c.known_to == FOREVER, institution.is_not(None))
    return sa.select(*columns).where(*known, *clauses).group_by(SPAN.c.item, institution, outside)


_LENT = SPAN.c.line.in_(THEIR_LINES)
_SIDES = sa.union_all(
    _ends(SPAN.c.holder),
    _ends(SPAN.c.claimant, _counts(SPAN)),
    _ends(SPAN.c.lender, _LENT),
    _ends(SPAN.c.borrower, _LENT),
)
_SENT = sa.select(SPAN.c.item, SPAN.c.sent_on, SPAN.c.from_at, SPAN.c.to_at).where(
    among(SPAN.c.item), SPAN.c.known_to == FOREVER, SPAN.c.sent_on.is_not(None)
)


def sides(connection: sa.Connection, items: Collection[str]) -> Collection[Row]:
    """Until when holders, takers, lenders and borrowers have to do with the items: item, institution, until, and
    ``outside`` for the spans in which the item lay in nothing else."""
    return rows(connection, _SIDES, some=items)


def sent(connection: sa.Connection, items: Collection[str]) -> Collection[Row]:
    """The spans that the items spent on shipments: item, sent_on, from_at, to_at."""
    return rows(connection, _SENT, some=items)
