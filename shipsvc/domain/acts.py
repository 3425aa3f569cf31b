"""What an act on a sample does to its book and moves in the ledger: weighing, use, loss, division, combination."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from shipsvc.domain import book, ledger
from shipsvc.domain.book import Book, Compared, Stated, stated
from shipsvc.domain.facts import Fact
from shipsvc.domain.ledger import Move, Side, moved
from shipsvc.domain.rulebook import Rules
from shipsvc.domain.sheets import Sheet, summed
from shipsvc.domain.verdicts import Verdict

OF_MASS = frozenset(
    "registered accessioned weighed dried used loss_noted divided combined embedded posted rebased written_off"
    " lost_decided reserve_set".split()
)


@dataclass(frozen=True, slots=True)
class ItemInfo:
    """What kind of thing a number names: sample, container or parcel; of which form; whose; of which collection."""

    kind: str
    form: str = "other"
    owner: str = ""
    collection: str = ""


UNKNOWN_ITEM = ItemInfo("container")


@dataclass(frozen=True, slots=True)
class Birth:
    """That a sample was made from a parent, at an instant, by a fact, with this much of the parent's mass in ng."""

    child: str
    parent: str
    at: datetime
    event_id: str
    mass_ng: int | None


@dataclass(frozen=True, slots=True)
class Done:
    """What an act does to a sample: its book after, the comparison of a weighing or of a sheet that does not close,
    whether it ends; children born with their books, those of them that are used up at once with the account they go to,
    parents drawn on; and the moves that follow from the sample's own book."""

    book: Book
    compared: Compared | None = None
    children: tuple[tuple[str, Book], ...] = ()
    parents: tuple[tuple[str, Stated], ...] = ()
    ends: bool = False
    moves: tuple[Move, ...] = ()
    used: tuple[tuple[str, Side], ...] = ()


def done(item: str, before: Book, fact: Fact, rules: Rules) -> Done:
    """What ``fact`` does to the book of the sample that it is told of."""
    match fact.kind:
        case "registered" | "accessioned":
            return _opened(item, before, book.based(before, fact, rules))
        case "weighed":
            after, compared = book.weighed(before, fact, rules)
            return replace(_opened(item, before, after), compared=compared)
        case "dried":
            return Done(book.dried(before, fact))
        case "posted":
            return _set(item, before, book.posted(before, fact, rules), ledger.UNEXPLAINED)
        case "rebased":
            return _set(item, before, book.posted(before, fact, rules), ledger.REBASIS)
        case "written_off" | "lost_decided":
            return _closed(item, Done(before), ledger.WRITTEN_OFF)
        case "used" | "loss_noted":
            return _lowered(item, before, fact, rules)
        case "combined":
            return _combined(item, before, fact, rules)
        case "embedded":
            return _embedded(item, before, fact)
        case "reserve_set":
            return Done(replace(before, reserve=fact.body.get("reserve") is True))
        case _:
            return _divided(item, before, fact, rules)


# ------------------------------------------------------------------------------------------------ setting and ending it
def _opened(item: str, before: Book, after: Book) -> Done:
    """A first mass is taken in; that of a piece comes out of what its parent's book could not tell apart."""
    if before.mass_ng is not None or after.mass_ng is None:
        return Done(after)
    source = ledger.UNEXPLAINED if before.how == book.UNWEIGHED else ledger.ORIGIN
    return Done(after, moves=moved(source, ledger.sample(item), after.mass_ng))


def _set(item: str, before: Book, after: Book, account: Side) -> Done:
    """The book is set to a weighing: the difference goes to an account, above 0 where there was more before."""
    if before.mass_ng is None or after.mass_ng is None:
        return _opened(item, before, after)
    return Done(after, moves=moved(ledger.sample(item), account, before.mass_ng - after.mass_ng))


def _closed(item: str, act: Done, account: Side) -> Done:
    """Nothing is left of the sample: what its book still holds goes to an account."""
    if act.book.mass_ng is None:
        return replace(act, ends=True)
    rest = moved(ledger.sample(item), account, act.book.mass_ng)
    return replace(act, book=book.closed(act.book), moves=act.moves + rest, ends=True)


# ------------------------------------------------------------------------------------------------------- what leaves it
def _lowered(item: str, before: Book, fact: Fact, rules: Rules) -> Done:
    mass = stated(fact.body, rules)
    act = Done(before)
    if mass and before.mass_ng is not None:
        account = ledger.WORKED_LOSS if fact.kind == "loss_noted" else _used(fact.body)
        act = Done(book.lowered(before, mass), moves=moved(ledger.sample(item), account, mass.ng))
    if fact.kind != "used" or fact.body.get("all") is not True:
        return act
    return _closed(item, act, ledger.UNEXPLAINED if mass else ledger.USED_ESTIMATED)


def _used(words: Mapping[str, Any]) -> Side:
    """Consumed by a weighing only where a balance is named; all else is what somebody says."""
    told_only = words.get("method") in ("estimated", "declared") or not words.get("balance")
    return ledger.USED_ESTIMATED if told_only else ledger.USED_WEIGHED


def _entries(item: str, fact: Fact, name: str) -> list[tuple[str, Mapping[str, Any]]]:
    """The pieces or the parts of a sheet by number; what is said to come of itself stays where it is."""
    found = fact.body.get(name)
    entries = [entry for entry in found if isinstance(entry, Mapping)] if isinstance(found, list) else []
    air = {"air": fact.body["air"]} if fact.body.get("air") else {}  # of one room, read once
    return [(str(entry["number"]), {**air, **entry}) for entry in entries if str(entry["number"]) != item]


def _divided(item: str, before: Book, fact: Fact, rules: Rules) -> Done:
    """The rest keeps the parent's number and mass less what went off, unless the sheet says that the parent ends."""
    source = ledger.sample(item) if before.mass_ng is not None else ledger.ORIGIN
    after, children, moves = before, [], tuple[Move, ...]()
    pieces = _entries(item, fact, "children")
    masses = [stated(entry, rules) for _, entry in pieces]
    for (number, entry), mass in zip(pieces, masses, strict=True):
        children.append((number, book.born(before, str(entry.get("material", before.material)), mass)))
        moves += moved(source, ledger.sample(number), mass.ng) if mass else ()
        after = book.lowered(after, mass)
    loss, rest = (stated(fact.body.get(name) or {}, rules) for name in ("loss", "rest"))
    sheet = Sheet(masses, loss, rest, fact.body.get("ends") is True, fact.text("process") or "")
    used = tuple((number, _used(entry)) for number, entry in pieces if entry.get("used") is True)
    if loss and after.mass_ng is not None:
        moves += moved(ledger.sample(item), ledger.WORKED_LOSS, loss.ng)
        after = book.lowered(after, loss)
    unclosed = _unclosed(before, sheet, fact, rules)
    act = Done(after, unclosed, children=tuple(children), moves=moves, used=used)
    if fact.body.get("ends") is not True:
        return act
    worked = loss is None and book.is_worked_loss(after.mass_ng or 0, before.mass_ng or 0, fact, before.material, rules)
    return _closed(item, act, ledger.WORKED_LOSS if worked else ledger.UNEXPLAINED)


def _unclosed(before: Book, sheet: Sheet, fact: Fact, rules: Rules) -> Compared | None:
    """The sheet against the book before, where it can be summed and something is missing, or too much."""
    found = summed(before, sheet, rules)
    if found.comparison is None or found.balances or found.comparison.verdict == Verdict.CANNOT_BE_CONFIRMED:
        return None
    return Compared(fact.id, before.mass_ng or 0, found.total_ng, found.comparison, (), is_sheet=True)


def _embedded(item: str, before: Book, fact: Fact) -> Done:
    """The mass account ends: what is in resin is counted by item and area (trade case 42)."""
    piece = Book(how=book.EMBEDDED, material=before.material, moisture_class=before.moisture_class)
    pieces = _entries(item, fact, "children")
    children = ((n, replace(piece, material=str(entry.get("material", before.material)))) for n, entry in pieces)
    return _closed(item, Done(before, children=tuple(children)), ledger.EMBEDDED)


def _combined(item: str, before: Book, fact: Fact, rules: Rules) -> Done:
    """A mixture is made of what is drawn from its parents; what it was registered with before is not taken in twice."""
    drawn = [(number, stated(entry, rules)) for number, entry in _entries(item, fact, "parents")]
    parents = tuple((number, mass) for number, mass in drawn if mass)
    if not parents:
        return _opened(item, before, book.based(before, fact, rules))
    parts = [mass for _, mass in parents]
    after = book.mixed(before, fact, stated(fact.body, rules), parts)
    whole_ng = sum(part.ng for part in parts)
    lost_ng = whole_ng - (after.mass_ng or 0)
    worked = book.is_worked_loss(lost_ng, whole_ng, fact, after.material, rules)
    me = ledger.sample(item)
    moves = moved(me, ledger.ORIGIN, before.mass_ng or 0)
    moves += moved(me, ledger.WORKED_LOSS if worked else ledger.UNEXPLAINED, lost_ng)
    return Done(after, parents=parents, moves=moves)
