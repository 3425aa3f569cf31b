"""Sources around a sample: examples of demo.md T11 and rulings 21, 22, 32, and each minute looked at by itself."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import portion
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.evidence import (
    NEVER,
    NOT_PROVEN_IN,
    OUT,
    SILENCE,
    Evidence,
    InNest,
    Segment,
    Voice,
    bar,
    charged,
    reaches,
    segments,
    weigh,
)
from shipsvc.domain.times import Intervals
from shipsvc.store.tables_derived import STATUSES

START = datetime(2025, 3, 24, tzinfo=UTC)


def at(minute: int) -> datetime:
    """An instant, in minutes from the beginning."""
    return START + timedelta(minutes=minute)


def span(*pairs: tuple[int, int]) -> Intervals:
    """Intervals in minutes."""
    return Intervals.from_pairs((at(a), at(b)) for a, b in pairs)


def minutes(found: Intervals) -> int:
    """A length in whole minutes."""
    return found.total // timedelta(minutes=1)


def clock(text: str) -> int:
    """``24 11:10`` is ten past eleven on the 24th of March, ``32`` the first of April, in minutes."""
    day, time = text.split()
    hour, minute = time.split(":")
    return (int(day) - 24) * 1440 + int(hour) * 60 + int(minute)


def test_the_trip_of_0011() -> None:
    """demo.md T-02 and 7.3: warm 31 h 20 min for sure; the jar gap of 2 h 45 min is unknown, the box only indirect."""
    packed, opened = clock("24 08:25"), clock("32 00:45")
    warm = span((clock("29 02:10"), clock("30 09:30")))
    trip = span((packed, opened))
    jar = Voice("LG-101", "temperature", 3, True, trip, span((clock("24 11:10"), opened)), warm)
    box = Voice(
        "LG-102", "temperature", 4, True, trip, span((clock("24 08:30"), opened)), span((clock("29 00:00"), opened))
    )

    evidence = weigh([box, jar], "temperature")
    surely, possible = charged((at(packed), at(opened)), "in_transit", evidence, controlled=False)

    assert (minutes(surely), minutes(possible)) == (31 * 60 + 20, 31 * 60 + 20 + 165)
    shown = bar((at(packed), at(opened)), "in_transit", evidence, controlled=False)
    assert shown.indirect == span((clock("24 08:30"), clock("24 11:10")))
    assert shown.unknown == span((packed, clock("24 08:30")))
    assert shown.proven_out == warm
    assert shown.by_record == NEVER


def test_of_two_at_one_position_the_worse_counts() -> None:
    """Rulings 32: either says out, out it is; either covers, it is covered."""
    one = Voice("A", "temperature", 1, True, span((0, 100)), span((0, 60)), span((10, 20)))
    other = Voice("B", "temperature", 1, True, span((0, 100)), span((30, 100)), span((50, 55)))

    assert weigh([one, other], "temperature") == Evidence(
        span((10, 20), (50, 55)), NEVER, span((0, 100)), span((0, 100)), NEVER
    )


def test_a_breach_further_out_does_not_count() -> None:
    """Vial over jar over box: the box was warm, the jar was not (trade case 63)."""
    jar = Voice("A", "temperature", 1, True, span((0, 100)), span((0, 100)))
    box = Voice("B", "temperature", 2, True, span((0, 200)), span((0, 200)), span((50, 150)))

    found = weigh([box, jar], "temperature")

    assert found.out == span((100, 150))  # once the jar's logger was taken out, the box's is the nearest
    assert found.covered == span((0, 200))


def test_all_quantities_count_and_one_proves() -> None:
    """M is a union over quantities, not a sum (trade case 68); K is the decisive quantity alone (rulings 22)."""
    voices = [
        Voice("A", "temperature", 1, True, span((0, 100)), span((0, 100)), span((10, 30))),
        Voice("A", "oxygen", 1, True, span((0, 100)), span((0, 100)), span((20, 40)), span((60, 61))),
        Voice("A", "frost_point", 1, True, span((0, 100)), span((0, 50)), NEVER, span((45, 46))),
    ]

    found = weigh(voices, "frost_point")

    assert found.out == span((10, 40))
    assert found.perhaps == span((45, 46), (60, 61))
    assert found.covered == span((0, 45), (46, 50))
    assert weigh(voices, None).covered == NEVER


@pytest.mark.parametrize(
    ("quantity", "position", "barrier", "expected"),
    [
        ("oxygen", 3, None, True),  # an open tray in the glovebox (A20)
        ("oxygen", 3, 0, False),  # a sealed vial beside it (A20)
        ("oxygen", 1, 1, True),  # a logger in the sealed jar is inside its barrier
        ("oxygen", 2, 1, False),
        ("frost_point", 2, 1, False),
        ("relative_humidity", 2, 1, False),
        ("temperature", 3, 0, True),
        ("light", 3, 0, True),
        ("shock", 3, 0, True),
    ],
)
def test_what_reaches_a_closed_sample(quantity: str, position: int, barrier: int | None, expected: bool) -> None:
    """Rulings 21: temperature and light come from the surroundings, gas and water only from inside the barrier."""
    assert reaches(quantity, position, barrier) is expected


def test_what_is_read_outside_a_barrier_is_indirect() -> None:
    """Dry air in the jar says something of a sealed vial in it, and proves nothing."""
    jar = Voice("A", "frost_point", 1, False, span((0, 100)), span((0, 100)), span((50, 60)))

    found = weigh([jar], "frost_point")

    assert found == Evidence(indirect=span((0, 50), (60, 100)))
    assert bar((at(0), at(100)), "in_transit", found, controlled=False).indirect == span((0, 50), (60, 100))


@pytest.mark.parametrize(
    ("status", "controlled", "expected"),
    [
        ("stored", True, (5, 15)),  # the gap of the sensor is unproven, whatever the place promises
        ("stored", False, (5, 25)),  # and so is what no sensor watches in a place of another profile
        ("in_transit", True, (5, 25)),
        ("unknown", False, (5, 25)),
        ("taken_out", True, (100, 100)),  # out is out, whatever a logger says that lay beside it
        ("ended", False, (0, 0)),
    ],
)
def test_what_a_stay_is_charged(status: str, controlled: bool, expected: tuple[int, int]) -> None:
    """Watched from 0 to 90, a gap from 40 to 50, out from 20 to 25; nobody watches from 90 to 100."""
    evidence = Evidence(span((20, 25)), NEVER, span((0, 40), (50, 90)), span((0, 90)))

    surely, possible = charged((at(0), at(100)), status, evidence, controlled=controlled)

    assert (minutes(surely), minutes(possible)) == expected


def test_too_few_readings_count_at_most_only() -> None:
    """In a store as well: what one reading says is not proven in (rulings 22)."""
    evidence = Evidence(NEVER, span((20, 25)), span((0, 20), (25, 100)), span((0, 100)))

    surely, possible = charged((at(0), at(100)), "stored", evidence, controlled=True)

    assert (minutes(surely), minutes(possible)) == (0, 5)


def test_nests_one_behind_the_other() -> None:
    """A sample in a vial that is put into a jar, sealed later, and taken out again: 3 nests, then alone."""
    nests = {
        "sample": [InNest(at(0), at(100), "vial", closed=False)],
        "vial": [InNest(at(10), at(50), "jar", closed=False), InNest(at(50), at(100), None, closed=True)],
        "jar": [InNest(at(0), at(20), None, closed=False), InNest(at(20), at(100), None, closed=True)],
    }

    assert segments("sample", nests, at(0), at(110)) == [
        Segment(at(0), at(10), ("sample", "vial"), None),
        Segment(at(10), at(20), ("sample", "vial", "jar"), None),
        Segment(at(20), at(50), ("sample", "vial", "jar"), 2),
        Segment(at(50), at(100), ("sample", "vial"), 1),
        Segment(at(100), at(110), ("sample",), None),
    ]


def test_nests_that_are_alike_are_one() -> None:
    """What changes of a thing but its nest (holder, mass) does not cut its time."""
    nests = {"sample": [InNest(at(a), at(a + 10), None, closed=False) for a in (0, 10, 20)]}

    assert segments("sample", nests, at(0), at(30)) == [Segment(at(0), at(30), ("sample",), None)]


def test_a_circle_of_nests_ends() -> None:
    """The fold lets none in; if the record held one, the line would end where it closes."""
    nests = {name: [InNest(at(0), at(10), other, closed=False)] for name, other in (("a", "b"), ("b", "a"))}

    assert segments("a", nests, at(0), at(10)) == [Segment(at(0), at(10), ("a", "b"), None)]


# ------------------------------------------------------------------------------------------------- second opinions
LAST = 60
SETS = st.lists(st.tuples(st.integers(0, LAST), st.integers(0, LAST)), max_size=3).map(
    lambda pairs: span(*((min(p), max(p)) for p in pairs))
)


@st.composite
def voices(draw: st.DrawFn) -> list[Voice]:
    """Some sources in random positions; each speaks only while it is there."""
    found = []
    for name in "ABCD"[: draw(st.integers(0, 4))]:
        rank, present = draw(st.integers(0, 3)), draw(SETS)
        covered = draw(SETS) & present
        out = draw(SETS) & covered
        quantity = draw(st.sampled_from(["temperature", "oxygen"]))
        perhaps = (draw(SETS) & covered) - out
        found.append(Voice(name, quantity, rank, reaches(quantity, rank, 2), present, covered, out, perhaps))
    return found


def by_minute(told: list[Voice], status: str, controlled: bool, minute: int) -> tuple[bool, bool]:
    """Whether a minute counts at least and at most, by asking each source in turn from the inside out."""
    when = at(minute)
    out, maybe, read, watched = status in OUT, False, False, False
    for quantity in ("temperature", "oxygen"):
        near = sorted({v.rank for v in told if v.quantity == quantity and v.reaches and when in v.present})
        speaking = [
            v for v in told if v.quantity == quantity and v.reaches and when in v.present and v.rank in near[:1]
        ]
        out |= status != "ended" and any(when in v.out for v in speaking)
        maybe |= status != "ended" and any(when in v.perhaps for v in speaking)
        if quantity == "temperature":
            watched = bool(speaking)
            read = any(when in v.covered for v in speaking) and not any(when in v.perhaps for v in speaking)
    unproven = (status in NOT_PROVEN_IN and not read) or (
        status == "stored" and not read and (watched or not controlled)
    )
    return out, out or maybe or unproven


@given(voices(), st.sampled_from(STATUSES), st.booleans())
def test_each_minute_by_itself_says_the_same(told: list[Voice], status: str, controlled: bool) -> None:
    """Sets of intervals against a look at every minute."""
    surely, possible = charged((at(0), at(LAST)), status, weigh(told, "temperature"), controlled=controlled)

    found = [(at(m) in surely, at(m) in possible) for m in range(LAST)]
    assert found == [by_minute(told, status, controlled, m) for m in range(LAST)]


def as_portion(found: Intervals) -> portion.Interval:
    """The same set in another library."""
    total = portion.empty()
    for start, end in found:
        total |= portion.closedopen(start, end)
    return total


@given(voices(), st.sampled_from(STATUSES), st.booleans())
def test_the_bar_divides_the_window(told: list[Voice], status: str, controlled: bool) -> None:
    """By the library ``portion``: the parts of the bar do not overlap, and together are the window."""
    shown = bar((at(0), at(LAST)), status, weigh(told, "temperature"), controlled=controlled)
    parts = [as_portion(p) for p in (shown.proven_out, shown.proven_in, shown.by_record, shown.indirect, shown.unknown)]

    whole = portion.empty()
    for index, part in enumerate(parts):
        assert (whole & part).empty, index
        whole |= part
    assert whole == portion.closedopen(at(0), at(LAST))


@given(voices(), SETS)
def test_more_coverage_never_makes_at_most_longer(told: list[Voice], more: Intervals) -> None:
    """Unknown time shrinks only by evidence: more covered at the nearest source lowers at most, or keeps it."""
    better = [
        Voice(v.source, v.quantity, v.rank, v.reaches, v.present, v.covered | (more & v.present), v.out, v.perhaps)
        for v in told
    ]
    window = (at(0), at(LAST))

    before, after = (charged(window, "in_transit", weigh(v, "temperature"), controlled=False) for v in (told, better))

    assert after[0] == before[0]
    assert (after[1] - before[1]) == NEVER


def test_silence_says_nothing() -> None:
    """Without a source there is no evidence."""
    assert weigh([], "temperature") == SILENCE
    assert charged((at(0), at(10)), "stored", SILENCE, controlled=True) == (NEVER, NEVER)


def union_of(sets: Iterable[Intervals]) -> portion.Interval:
    """The union, by the other library."""
    total = portion.empty()
    for one in sets:
        total |= as_portion(one)
    return total


@given(voices())
def test_out_is_a_union(told: list[Voice]) -> None:
    """With all sources at one position, out is the plain union of what they say, by ``portion`` (rulings 22)."""
    level = [Voice(v.source, v.quantity, 0, True, v.present, v.covered, v.out, v.perhaps) for v in told]

    assert as_portion(weigh(level, "temperature").out) == union_of(v.out for v in level)
