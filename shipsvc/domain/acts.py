"""What an act on a sample does to its book: weighing, use, loss, division, combination."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from shipsvc.domain import book
from shipsvc.domain.book import Balances, Book, Compared, Stated, stated
from shipsvc.domain.facts import Fact

OF_MASS = frozenset("registered accessioned weighed used loss_noted divided combined embedded posted".split())


@dataclass(frozen=True, slots=True)
class ItemInfo:
    """What kind of thing a number names: sample, container or parcel; of which form; whose."""

    kind: str
    form: str = "other"
    owner: str = ""


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
    """The book after an act, the comparison of a weighing, children born, parents drawn on, whether the sample ends."""

    book: Book
    compared: Compared | None = None
    children: tuple[tuple[str, Book], ...] = ()
    parents: tuple[tuple[str, Stated], ...] = ()
    ends: bool = False


def done(before: Book, fact: Fact, balances: Balances) -> Done:
    """What ``fact`` does to the book of the sample it is told of."""
    match fact.kind:
        case "registered" | "accessioned":
            return Done(book.based(before, fact, balances))
        case "weighed":
            after, compared = book.weighed(before, fact, balances)
            return Done(after, compared)
        case "posted":
            return Done(book.posted(before, fact, balances))
        case "used" | "loss_noted":
            ends = fact.kind == "used" and fact.body.get("all") is True
            return Done(book.lowered(before, stated(fact.body, balances)), ends=ends)
        case "combined":
            return _combined(before, fact, balances)
        case _:
            return _divided(before, fact, balances)


def _entries(fact: Fact, name: str) -> list[Mapping[str, Any]]:
    found = fact.body.get(name)
    return [entry for entry in found if isinstance(entry, Mapping)] if isinstance(found, list) else []


def _divided(before: Book, fact: Fact, balances: Balances) -> Done:
    """The rest keeps the parent's number and mass less what went off, unless the sheet says that the parent ends."""
    after, children = before, []
    for entry in _entries(fact, "children"):
        mass = stated(entry, balances)
        child = Book(material=str(entry.get("material", before.material)), moisture_class=before.moisture_class)
        if mass:
            child = replace(
                child,
                mass_ng=mass.ng,
                variance=mass.variance,
                estimated_variance=mass.estimated_variance,
                how=mass.how,
            )
        children.append((str(entry["number"]), child))
        after = book.lowered(after, mass)
    loss = fact.body.get("loss")
    after = book.lowered(after, stated(loss, balances)) if isinstance(loss, Mapping) else after
    return Done(after, children=tuple(children), ends=fact.body.get("ends") is True or fact.kind == "embedded")


def _combined(before: Book, fact: Fact, balances: Balances) -> Done:
    drawn = [(str(e["number"]), stated(e, balances)) for e in _entries(fact, "parents")]
    parents = tuple((number, mass) for number, mass in drawn if mass)
    return Done(book.based(before, fact, balances), parents=parents)
