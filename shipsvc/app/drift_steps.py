"""The steps that a drift is made of: each posting of a book, what was measured in it, and whom and what it concerns.

A step goes from one setting of a book to the next. What is unexplained of it may have gone anywhere between the two, so
it belongs to the borrower who had the sample meanwhile, where it was one; to several together where it was several.
"""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.domain.drift import Linked, Step
from shipsvc.domain.facts import institution_of
from shipsvc.store import events, ledger
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment
from shipsvc.store.tables_derived import OUT_LINES

#: Decisions that set a book: a posting is a step of the drift, after a re-basis it begins anew.
POSTED, REBASED = "posted", "rebased"
#: What is done to material; a step without any of it was only kept.
_OPERATIONS: Final = ("combined", "divided", "dried", "embedded", "loss_noted", "used")
KEPT: Final = "kept"
_CHUNK: Final = 500


@dataclass(frozen=True)
class Posting:
    """A posting as a step: by itself, as a sum of measurements, the fact that posted it, and in whose hands and under
    which ``operation`` the sample was since the book was set before, which was at ``since``."""

    step: Step
    linked: Linked
    event_id: str
    holder: str
    operation: str
    since: datetime

    @property
    def at(self) -> datetime:
        """When the book was set."""
        return self.linked.at


@dataclass(frozen=True)
class Weighed:
    """The weighing behind a posting: on which balance, and by which person."""

    balance: str
    person: str


def read(connection: sa.Connection, numbers: Sequence[str], when: Moment) -> dict[str, list[Posting]]:
    """The postings of the samples since their last re-basis, in order of time; samples without any are left out."""
    spans: dict[str, list[Row]] = defaultdict(list)
    births: list[Row] = []
    for some in _chunks(numbers):
        for row in ledger.settings(connection, some, when):
            spans[row["item"]].append(row)
        births += ledger.parents(connection, some, when)
    opened = {number: _opening(spans[number]) for number in numbers}
    taken: dict[str, list[Row]] = defaultdict(list)
    for birth in births:
        opening = opened.get(birth["child"])
        # Only where the weighing of the piece is what its own account begins with.
        if opening is not None and opening["event_id"] == birth["event_id"]:
            taken[birth["parent"]].append({**birth, "variance": opening["variance"]})
    found = {number: _postings(number, spans[number], taken[number]) for number in numbers}
    return {number: postings for number, postings in found.items() if postings}


def weighings(connection: sa.Connection, postings: Iterable[Posting]) -> dict[str, Weighed]:
    """What each posting rests on, by the fact that posted it: its weighing, or itself where it names none."""
    ids = sorted({posting.event_id for posting in postings})
    rows = _in_force(connection, ids)
    bodies = {one: events.content(row)[2] for one, row in rows.items()}
    rests_on = {one: str(body.get("weighing") or one) for one, body in bodies.items()}
    told = _in_force(connection, sorted(set(rests_on.values()) - rows.keys())) | rows
    first = events.by_ids(connection, sorted(set(rests_on.values())))
    return {one: _weighed(told.get(at), first.get(at), bodies[one]) for one, at in rests_on.items()}


def _weighed(row: Row | None, first: Row | None, posted: Mapping[str, Any]) -> Weighed:
    body = events.content(row)[2] if row else posted
    return Weighed(str(body.get("balance") or "none"), str(first["actor"]) if first else "unknown")


def _in_force(connection: sa.Connection, ids: Sequence[str]) -> dict[str, Row]:
    return {one: row for some in _chunks(ids) for one, _, row in events.these_in_force(connection, some)}


def _chunks(values: Sequence[str]) -> Iterator[Sequence[str]]:
    return (values[start : start + _CHUNK] for start in range(0, len(values), _CHUNK))


def families(connection: sa.Connection, numbers: Collection[str], when: Moment) -> dict[str, str]:
    """By sample the one that its family began with; a mixture of several families begins one of its own."""
    above: dict[str, set[str]] = {}
    fresh = set(numbers)
    while fresh:
        for number in fresh:
            above[number] = set()
        for some in _chunks(sorted(fresh)):
            for row in ledger.parents(connection, some, when):
                above[row["child"]].add(row["parent"])
        fresh = {parent for number in fresh for parent in above[number]} - above.keys()
    found: dict[str, str] = {}
    for number in sorted(above):
        _family(number, above, found)
    return {number: found[number] for number in numbers}


def _family(number: str, above: Mapping[str, Collection[str]], found: dict[str, str]) -> str:
    if number not in found:
        found[number] = number  # where the record goes in a circle
        begun = {_family(parent, above, found) for parent in above[number]}
        found[number] = begun.pop() if len(begun) == 1 else number
    return found[number]


def _opening(spans: Sequence[Row]) -> Row | None:
    return next((span for span in spans if span["mass_ng"] is not None), None)


def _postings(number: str, spans: Sequence[Row], taken: Sequence[Row]) -> list[Posting]:
    """The steps since the last re-basis: what each posting set the book from and to."""
    found: list[Posting] = []
    setting, since = _opening(spans), 0
    for place, (before, span) in enumerate(pairwise(spans), start=1):
        if span["kind"] == REBASED:
            found, setting, since = [], span, place
        if span["kind"] != POSTED or before["mass_ng"] is None or span["mass_ng"] is None or setting is None:
            continue
        step = Step(before["mass_ng"], before["variance"], span["mass_ng"], span["variance"])
        between = spans[since : place + 1]
        out = [row for row in taken if setting["from_at"] < row["born_at"] <= span["from_at"]]
        terms = _terms(number, setting, span, step, out)
        linked = Linked(number, len(found), span["from_at"], step.difference_ng, terms)
        holder, operation = _holder(between), _operation(between[1:])
        found.append(Posting(step, linked, span["event_id"], holder, operation, setting["from_at"]))
        setting, since = span, place
    return found


def _terms(number: str, setting: Row, span: Row, step: Step, taken: Sequence[Row]) -> dict[str, tuple[int, float]]:
    """What was measured in a step: its two ends, the pieces taken out whose own accounts begin with that, the rest."""
    pieces = {_name(row["child"], row["event_id"]): (1, row["variance"]) for row in taken}
    rest = step.expected_variance - setting["variance"] - math.fsum(variance for _, variance in pieces.values())
    ends = {_name(number, setting["event_id"]): (-1, setting["variance"])}
    ends[_name(number, span["event_id"])] = (1, span["variance"])
    return {**pieces, **ends, f"between {_name(number, span['event_id'])}": (1, max(0.0, rest))}


def _name(number: str, event_id: str) -> str:
    return f"{number} {event_id}"


def _holder(between: Sequence[Row]) -> str:
    out = {str(span["borrower"]) for span in between if span["line"] in OUT_LINES}
    return " + ".join(sorted(out)) or str(institution_of(between[-1]["certain"]) or "unknown")


def _operation(between: Sequence[Row]) -> str:
    return " + ".join(sorted({span["kind"] for span in between if span["kind"] in _OPERATIONS})) or KEPT
