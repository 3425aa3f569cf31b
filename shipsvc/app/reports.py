"""Reports of what is out, what is overdue, what an institution holds, and how long samples were out of storage.

Scope: a lender and a borrower see their own lines; the owner, and whoever holds, owes or is sent an item, sees the
item. A row is shown for what it says of that moment, not for what the reader has to do with the item today.
"""

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import access, charges, exposure
from shipsvc.app import items as sought
from shipsvc.app.access import Actor
from shipsvc.app.charges import Charged
from shipsvc.app.report_pages import Asked, Entry, Key, merged, merged_by_item, seconds
from shipsvc.app.report_pages import heirs as heirs_of
from shipsvc.domain import codes, lending, loans
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.mass import Mass
from shipsvc.domain.successions import Heirs
from shipsvc.domain.times import local_date, parse_instant
from shipsvc.store import institutions, items, ledger, reads
from shipsvc.store import loans as loan_facts
from shipsvc.store.engine import Row
from shipsvc.store.reads import Lines
from shipsvc.store.spans import SPAN

#: What falls due within this is due soon (trade question 7).
SOON: Final = timedelta(days=60)


def outstanding(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    lender: str | None = None,
    borrower: str | None = None,
    loan: str | None = None,
) -> list[Entry]:
    """Lines of loans that are out: with whom, since when, where, when due; in the order of items."""
    behind = after[0] if after else ""
    heirs = heirs_of(connection, asked)
    which = _lines(connection, actor, asked, heirs, lender, borrower, loan)
    wanted = (reads.lines_out(asked.moment, lines, behind, limit) for lines in which)
    found = merged_by_item(connection, wanted, limit)
    numbers = [row["item"] for row in found]
    infos, out = items.by_numbers(connection, numbers), _time_out(connection, numbers, asked)
    return [Entry((row["item"],), _line(row, infos, asked, heirs, actor) | out[row["item"]]) for row in found]


def overdue(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    lender: str | None = None,
    borrower: str | None = None,
    loan: str | None = None,
) -> list[Entry]:
    """Lines that are out past the end of their due day; what fell due last comes first."""
    behind = (parse_instant(after[0]), after[1]) if after else None
    heirs = heirs_of(connection, asked)
    which = _lines(connection, actor, asked, heirs, lender, borrower, loan)
    wanted = (reads.lines_overdue(asked.moment, lines, behind, limit) for lines in which)
    found = merged(connection, wanted, lambda row: (row["due_at"], row["item"]), limit, descending=True)
    infos = items.by_numbers(connection, [row["item"] for row in found])
    dues = _dues(connection, found, asked)
    return [
        Entry((row["due_at"].isoformat(), row["item"]), _late(row, dues[row["item"]], infos, asked, heirs, actor))
        for row in found
    ]


def due_soon(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    lender: str | None = None,
    borrower: str | None = None,
    loan: str | None = None,
) -> list[Entry]:
    """Lines that are out and fall due within ``SOON``; the first to fall due first."""
    behind = (parse_instant(after[0]), after[1]) if after else None
    heirs = heirs_of(connection, asked)
    which = _lines(connection, actor, asked, heirs, lender, borrower, loan)
    wanted = (reads.lines_due(asked.moment, lines, asked.as_of + SOON, behind, limit) for lines in which)
    found = merged(connection, wanted, lambda row: (row["due_at"], row["item"]), limit)
    numbers = [row["item"] for row in found]
    infos, out = items.by_numbers(connection, numbers), _time_out(connection, numbers, asked)
    return [
        Entry((row["due_at"].isoformat(), row["item"]), _line(row, infos, asked, heirs, actor) | out[row["item"]])
        for row in found
    ]


def lines_out(
    connection: sa.Connection, actor: Actor, asked: Asked, limit: int, *, lender: str | None, borrower: str | None
) -> list[dict[str, Any]]:
    """As ``outstanding`` from the first on, with the collection of each, and without time out of storage."""
    heirs = heirs_of(connection, asked)
    which = _lines(connection, actor, asked, heirs, lender, borrower, None)
    wanted = (reads.lines_out(asked.moment, lines, "", limit) for lines in which)
    found = merged_by_item(connection, wanted, limit)
    infos = items.by_numbers(connection, [row["item"] for row in found])
    return [{**_line(row, infos, asked, heirs, actor), "collection": infos[row["item"]]["collection"]} for row in found]


def out_of_storage(connection: sa.Connection, asked: Asked, shown: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Time out of storage of items, by their numbers as they are shown."""
    numbers = {codes.parse(number): number for number in shown}
    return {numbers[number]: out for number, out in _time_out(connection, list(numbers), asked).items()}


def _family(heirs: Heirs, institution: str | None) -> list[str | None]:
    """The institution asked for and those that it took over from; None, which stands for anybody, by itself."""
    return [None] if institution is None else [*heirs.family(institution)]


def _lines(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    heirs: Heirs,
    lender: str | None,
    borrower: str | None,
    loan: str | None,
) -> list[Lines]:
    """The lines that the actor may see, each kind by an index of its own: those they lend and those they borrow."""
    lenders, borrowers = _family(heirs, lender), _family(heirs, borrower)
    if actor.sees_all:
        if lender or borrower or loan:
            return [Lines(one, other, loan) for one in lenders for other in borrowers]
        return [Lines(one) for one in reads.lenders(connection, asked.moment)]
    mine = sorted(actor.institutions)
    lent = [Lines(one, other, loan) for one in mine if lender is None or one in lenders for other in borrowers]
    borrowed = [Lines(one, other, loan) for other in mine if borrower is None or other in borrowers for one in lenders]
    return [*lent, *borrowed]


def _line(row: Row, infos: dict[str, Row], asked: Asked, heirs: Heirs, actor: Actor) -> dict[str, Any]:
    today = local_date(asked.as_of, loan_facts.zone(row))
    return {
        **_named(row["item"], infos),
        **{name: row[name] for name in ("loan", "lender", "borrower", "line", "line_since")},
        "owed_by": heirs.of(row["borrower"]) if row["borrower"] else None,
        **{name: row[name] for name in ("certain", "claimed", "handover", "place", "status")},
        "certain_since": access.held_since(actor, infos[row["item"]], row),
        "due_on": row["due_on"],
        "days_left": loans.days_left(row["due_on"], today) if row["due_on"] else None,
    }


def _late(
    row: Row, facts: Sequence[loans.DueFact], infos: dict[str, Row], asked: Asked, heirs: Heirs, actor: Actor
) -> dict[str, Any]:
    today = local_date(asked.as_of, loan_facts.zone(row))
    line = _line(row, infos, asked, heirs, actor)
    del line["days_left"]
    return {
        **line,
        "days_overdue": loans.days_overdue(row["due_on"], None, today),
        "uncovered_days": loans.uncovered_days(facts, None, today),
    }


def _dues(connection: sa.Connection, found: Sequence[Row], asked: Asked) -> dict[str, list[loans.DueFact]]:
    """The due dates that each line had under its present loan, each from the local day on which it came into force."""
    loan_of = {row["item"]: row["loan"] for row in found}
    spent: dict[str, list[Row]] = {item: [] for item in loan_of}
    for row in reads.dues_until(connection, asked.moment, loan_of):
        if row["loan"] == loan_of[row["item"]]:
            spent[row["item"]].append(row)
    return {item: loan_facts.due_changes(rows) for item, rows in spent.items()}


def holdings(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    institution: str,
) -> list[Entry]:
    """All that an institution and its desks hold, certainly or as one side says; in the order of items.

    What an institution holds that it took over from is its own.
    """
    behind = after[0] if after else ""
    heirs = heirs_of(connection, asked)
    family = heirs.family(institution)
    wanted = (found for one in family for found in _held(connection, actor, asked, one, behind, limit))
    found = merged_by_item(connection, wanted, limit)
    infos = items.by_numbers(connection, [row["item"] for row in found])
    outside = access.outside_only(connection, actor, infos.keys())
    shown = ((row, _holding(row, infos, family, heirs, actor)) for row in found)
    return [Entry((row["item"],), {**one, **(UNTOLD if row["item"] in outside else {})}) for row, one in shown]


#: What a carrier is not told of what it holds.
UNTOLD: Final[Mapping[str, Any]] = {
    "what": "",
    **dict.fromkeys(("mass_mg", "mass_known", "loan", "owed_by", "due_on")),
}


def _held(
    connection: sa.Connection, actor: Actor, asked: Asked, institution: str, behind: str, limit: int
) -> Iterable[sa.Select[Any]]:
    """By the index of the holder where the reader is the holder or sees all; else by what the reader has to do."""
    when, mine = asked.moment, actor.institutions
    if actor.sees_all or institution in mine:
        clauses: list[reads.Clause] = [] if actor.sees_all else [access.sees(actor, SPAN.c.item)]
        # What lies in its parcels a courier holds as well; of all else that one certainly holds one may hear.
        nested = clauses if institutions.handlers(connection, [institution]) else []
        yield reads.held_certainly(when, institution, behind, limit, *nested)
        yield reads.held_by_claim(when, institution, behind, limit, *clauses)
        return
    if reads.owns_anything(connection, mine):
        yield reads.held_certainly(when, institution, behind, limit, reads.owned_by(mine))
        yield reads.held_by_claim(when, institution, behind, limit, reads.owned_by(mine))
    for own in sorted(mine):
        for lines in (Lines(own), Lines(None, own)):
            yield reads.lines_out(when, lines, behind, limit, reads.is_with(institution))


def _holding(row: Row, infos: dict[str, Row], family: Collection[str], heirs: Heirs, actor: Actor) -> dict[str, Any]:
    certainly = row["holder"] in family
    owed = row["line"] in lending.OUT
    holder = row["certain"] if certainly else row["claimed"]
    return {
        **_named(row["item"], infos),
        "kind": infos[row["item"]]["kind"],
        "owner": infos[row["item"]]["owner"],
        "held": "certain" if certainly else "claimed",
        "holder": holder,
        "answers": heirs.of(holder),
        "since": access.held_since(actor, infos[row["item"]], row) if certainly else _claimed_since(row),
        "certain": row["certain"],
        "claimed": row["claimed"],
        **{name: row[name] for name in ("handover", "place", "status")},
        "inside": codes.display(row["parent"]) if row["parent"] else None,
        "mass_mg": Mass(row["mass_ng"]).digits("mg") if row["mass_ng"] is not None else None,
        "mass_known": row["how"] or None,
        "loan": row["loan"] if owed else None,
        "borrower": row["borrower"] if owed else None,
        "owed_by": heirs.of(row["borrower"]) if owed else None,
        "due_on": row["due_on"] if owed else None,
    }


def _claimed_since(row: Row) -> datetime:
    """When the first word was said that names the claimed holder."""
    words = (word["at"] for word in json.loads(row["words"]) if word["taker"] == row["claimed"])
    return min(map(parse_instant, words), default=row["from_at"])


# ------------------------------------------------------------------------------------------------------------ time out
def time_out(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    owner: str | None = None,
    holder: str | None = None,
    place: str | None = None,
    family: str | None = None,
) -> list[Entry]:
    """How long samples were out of controlled storage, at least and at most, and how their budgets stand; in the order
    of items. ``family`` is a sample: it and all that was made of it. Raises as ``sought.find`` does for that."""
    behind = after[0] if after else ""
    among = None if family is None else _descendants(connection, actor, asked, family)
    wanted = _samples(actor, asked, behind, limit, owner, holder, place, among)
    found = merged_by_item(connection, wanted, limit)
    numbers = [row["item"] for row in found]
    infos = items.by_numbers(connection, numbers)
    out = exposure.time_out(connection, numbers, asked.as_of, asked.moment.known_on)
    charged = charges.charged(connection, out, asked.as_of, asked.moment.known_on)
    return [Entry((row["item"],), _sample(row, infos, out[row["item"]], charged[row["item"]])) for row in found]


def _descendants(connection: sa.Connection, actor: Actor, asked: Asked, typed: str) -> set[str]:
    found = sought.find(connection, actor, typed)
    sought.require_state(connection, actor, found, asked.as_of)
    return {found.number} | {
        row["child"] for row in ledger.relatives(connection, found.number, asked.moment, down=True)
    }


def _sample(row: Row, infos: dict[str, Row], out: TimeOut, charged: Sequence[Charged]) -> dict[str, Any]:
    return {
        **_named(row["item"], infos),
        "owner": infos[row["item"]]["owner"],
        **{name: row[name] for name in ("certain", "claimed", "place", "status")},
        "at_least_s": seconds(out.at_least),
        "at_most_s": seconds(out.at_most),
        "longest_at_least_s": seconds(out.longest_at_least),
        "longest_at_most_s": seconds(out.longest_at_most),
        "before_accession_s": seconds(out.before_accession),
        "profile": row["profile"],
        "state": charges.worst(charged).value,
        "warned_percent": max((c.warned_percent for c in charged if c.warned_percent is not None), default=None),
    }


def _samples(
    actor: Actor,
    asked: Asked,
    behind: str,
    limit: int,
    owner: str | None,
    holder: str | None,
    place: str | None,
    among: Collection[str] | None,
) -> Iterable[sa.Select[Any]]:
    """By the index of what is asked for; with nothing asked, by what the reader has to do with."""
    when, mine = asked.moment, actor.institutions
    clauses: list[reads.Clause] = [] if actor.sees_all else [reads.party_to(mine, asked.as_of)]
    if place is not None:
        clauses.append(SPAN.c.place == place)
    if among is not None:
        clauses.append(SPAN.c.item.in_(among))
    if holder is not None:
        clauses += [reads.is_sample(), *([reads.owned_by([owner])] if owner else [])]
        yield reads.held_certainly(when, holder, behind, limit, *clauses)
    elif owner is not None:
        yield reads.samples_of_owner(when, owner, behind, limit, *clauses)
    elif actor.sees_all or place is not None:
        yield reads.samples(when, behind, limit, *clauses)
    else:
        for one in sorted(mine):
            yield reads.samples_related(when, one, behind, limit, *clauses)


def _time_out(connection: sa.Connection, numbers: Collection[str], asked: Asked) -> dict[str, dict[str, Any]]:
    found = exposure.time_out(connection, numbers, asked.as_of, asked.moment.known_on)
    return {
        number: {"at_least_s": seconds(out.at_least), "at_most_s": seconds(out.at_most)}
        for number, out in found.items()
    }


def _named(number: str, infos: dict[str, Row]) -> dict[str, Any]:
    return {"item": codes.display(number), "what": infos[number]["what"] if number in infos else ""}
