"""Whoever took over from whom: told in any order it comes to the same, and what was known before stays as it was."""

import itertools
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shipsvc.app import report_pages, reports, successions
from shipsvc.app.access import Actor
from shipsvc.domain.successions import Succession, cycle, in_force
from shipsvc.domain.times import parse_instant
from shipsvc.store.tables import FOREVER
from tests.databases import copied, opened
from tests.world import World

START = datetime(2026, 7, 1, tzinfo=UTC)
DAYS = 6
CODES = ("LSC", "SKI", "LSU", "CVH")
#: Predecessor, successor (None: for itself again), the day from which on.
Decision = tuple[str, str | None, int]
decisions = st.lists(
    st.tuples(st.sampled_from(CODES), st.sampled_from((*CODES, None)), st.integers(0, DAYS)),
    max_size=8,
    unique_by=lambda one: (one[0], one[2]),
)


def told(said: Sequence[Decision]) -> list[Succession]:
    """The decisions as they were told one after the other, all of them late."""
    return [
        Succession(old, new, START + timedelta(days=day), START + timedelta(days=100, minutes=place))
        for place, (old, new, day) in enumerate(said)
    ]


def answering(known: Sequence[Succession], known_on: datetime = FOREVER) -> list[dict[str, str]]:
    """Who answers for each institution, day by day."""
    days = [START + timedelta(days=day, hours=1) for day in range(-1, DAYS + 1)]
    return [{code: in_force(known, day, known_on).of(code) for code in CODES} for day in days]


@settings(max_examples=200, deadline=None)
@given(st.data(), decisions)
def test_the_order_of_telling_changes_nothing(data: st.DataObject, said: list[Decision]) -> None:
    """Decisions that begin on different days say the same of every day, whichever of them was told first."""
    other = data.draw(st.permutations(said))

    assert answering(told(said)) == answering(told(other))


@settings(max_examples=200, deadline=None)
@given(decisions)
def test_what_was_known_before_a_telling_does_not_know_it(said: list[Decision]) -> None:
    """As known just after the n-th telling, the answers are those of the first n alone."""
    everything = told(said)

    for count, one in enumerate(everything, start=1):
        assert answering(everything, one.recorded_at) == answering(everything[:count])
    assert answering(everything, START) == [{code: code for code in CODES}] * (DAYS + 2)


@settings(max_examples=200, deadline=None)
@given(decisions)
def test_a_reversal_from_the_first_day_brings_the_earlier_state_back(said: list[Decision]) -> None:
    """An institution whose every merge is reversed from where it began answers for itself, as if none had been."""
    merges = told(said)
    again = told([*said, *((old, None, day) for old, _, day in said if old == "LSC")])

    assert answering(again) == answering([one for one in merges if one.predecessor != "LSC"])


@settings(max_examples=200, deadline=None)
@given(decisions)
def test_somebody_answers_in_the_end(said: list[Decision]) -> None:
    """What passes the check for cycles leads on no day in a circle; families and lines are two views of one thing."""
    accepted: list[Succession] = []
    for one in told(said):
        if one.successor is None or cycle([*accepted, one], one.predecessor, one.from_at, FOREVER) is None:
            accepted.append(one)
    for day in range(DAYS + 1):
        heirs = in_force(accepted, START + timedelta(days=day), FOREVER)
        for code in CODES:
            assert heirs.of(code) not in heirs.links
            assert set(heirs.family(code)) == {old for old in CODES if code in heirs.line(old)}


# ------------------------------------------------------------------------------------- with facts, through the service
ADMIN = Actor("p06", frozenset({("TRP", "administrator")}))
ITEM = "BRM-0010"
TOLD_FIRST = parse_instant("2026-07-20T10:00:00Z")


def _merge(world: World, old: str, new: str | None) -> None:
    with world.writing() as connection:
        from_at = parse_instant("2026-07-01T00:00:00Z") if new else None
        successions.tell(connection, ADMIN, world.clock, old, new, from_at, "merged")


def _tell(world: World, kind: str, happened: str, acting_for: str, **body: Any) -> None:
    told_at = world.clock.isoformat()
    world.tell(kind, ITEM, happened, acting_for, told_at, **body)


STEPS = {
    "TSI into MRL": lambda world: _merge(world, "TSI", "MRL"),
    "SMP into MRL": lambda world: _merge(world, "SMP", "MRL"),
    "SMP alone again": lambda world: _merge(world, "SMP", None),
    "released": lambda world: _tell(world, "released", "2026-06-01T10:00:00Z", "TRP", to="TSI"),
    "accepted": lambda world: _tell(world, "accepted", "2026-06-02T10:00:00Z", "TSI", from_="TRP"),
}


def _held(world: World, institution: str, as_of: str, known_on: datetime | None = None) -> list[tuple[Any, ...]]:
    asked = report_pages.asked(parse_instant(as_of), known_on, world.clock)
    with world.database.engine.connect() as connection:
        found = reports.holdings(connection, ADMIN, asked, None, 10, institution=institution)
    return [(e.fields["item"], e.fields["held"], e.fields["holder"], e.fields["answers"]) for e in found]


ORDERS = [
    order
    for order in itertools.permutations(STEPS)
    if order.index("SMP alone again") == order.index("SMP into MRL") + 1
]


@pytest.mark.parametrize("order", ORDERS, ids=", ".join)
def test_merges_and_facts_may_be_told_in_any_order(order: Sequence[str], sqlite_template: Path, tmp_path: Path) -> None:
    """Merge, reversal, release and acceptance, all told late: the same holdings before and after the merge, and
    nothing of it as known before the first telling.
    """
    with opened(copied(sqlite_template, tmp_path / "world.sqlite3")) as database:
        world = World(database)
        world.tell("registered", ITEM, "2026-05-01T10:00:00Z", item="sample", mass="250 mg", balance="B2")
        for place, step in enumerate(order):
            world.clock = TOLD_FIRST + timedelta(hours=place)
            STEPS[step](world)

        before, after = "2026-06-30T12:00:00Z", "2026-07-02T12:00:00Z"
        assert _held(world, "MRL", before) == []
        assert _held(world, "TSI", before) == [("BRM-0010-J", "certain", "TSI", "TSI")]
        assert _held(world, "MRL", after) == [("BRM-0010-J", "certain", "TSI", "MRL")]
        assert _held(world, "TSI", after) == [("BRM-0010-J", "certain", "TSI", "MRL")]
        early = TOLD_FIRST - timedelta(seconds=1)
        assert _held(world, "MRL", after, early) == []
        assert _held(world, "TRP", after, early) == [("BRM-0010-J", "certain", "TRP", "TRP")]
