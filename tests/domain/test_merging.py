"""Which chunks are merged: plain cases, and what holds of any. Common practice, no source."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.merging import PARTS, PARTS_MIN, Small, batches

START = datetime(2025, 3, 10, tzinfo=UTC)


def one(number: int, begin_min: int, length_min: int = 0, readings: int = 1, alike: str = "") -> Small:
    """A chunk that begins some minutes after START."""
    begin = START + timedelta(minutes=begin_min)
    return Small(number, alike, begin, begin + timedelta(minutes=length_min), readings)


def keys(chunks: list[Small], readings_max: int = 100, parts: int = 3) -> list[list[object]]:
    """The lots, by the numbers of their chunks."""
    return [[chunk.key for chunk in lot] for lot in batches(chunks, readings_max, parts)]


def test_a_lot_is_full_or_left_open() -> None:
    """As many as there may be are one lot; those at the end wait for others."""
    assert keys([one(n, n) for n in range(8)]) == [[0, 1, 2], [3, 4, 5]]
    assert PARTS * PARTS == 65_536  # two steps of single readings fill a chunk
    assert keys([one(n, n) for n in range(PARTS)], 65_536, PARTS) == [list(range(PARTS))]


def test_a_lot_fits_into_one_chunk() -> None:
    """What would be too many readings begins another lot."""
    assert keys([one(n, n, readings=40) for n in range(5)]) == [[0, 1], [2, 3]]


def test_only_what_is_alike() -> None:
    """Chunks of another run, unit or size are merged among themselves."""
    assert keys([one(n, n, alike="ab"[n % 2]) for n in range(6)]) == [[0, 2, 4], [1, 3, 5]]


def test_chunks_that_overlap() -> None:
    """They go into lots of their own, also where they share but an instant."""
    assert keys([one(n, n // 2 * 2, 1) for n in range(6)]) == [[0, 2, 4], [1, 3, 5]]
    assert keys([one(0, 0, 5), one(1, 5, 1), one(2, 7), one(3, 8)]) == [[0, 2, 3]]


def test_a_pause_ends_a_lot() -> None:
    """Behind more than a day a lot is merged as it is, if that is worth it."""
    day = 24 * 60 + 1
    before = [one(n, n) for n in range(PARTS_MIN)]
    assert keys([*before, one(99, PARTS_MIN + day)], parts=PARTS) == [list(range(PARTS_MIN))]
    assert keys([*before[1:], one(99, PARTS_MIN + day)], parts=PARTS) == []


@given(st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 40), st.integers(1, 50), st.sampled_from("ab"))))
def test_of_any_chunks(found: list[tuple[int, int, int, str]]) -> None:
    """Each is in one lot at most; a lot is alike, in order, without overlap or pause, of two or more that fit."""
    chunks = [one(n, *said) for n, said in enumerate(sorted(found))]
    lots = list(batches(chunks, 100, 4))
    merged = [chunk.key for lot in lots for chunk in lot]
    assert len(merged) == len(set(merged))
    for lot in lots:
        assert 2 <= len(lot) <= 4
        assert sum(chunk.readings for chunk in lot) <= 100
        assert len({chunk.alike for chunk in lot}) == 1
        for before, after in pairwise(lot):
            assert timedelta() < after.begin_at - before.end_at <= timedelta(days=1)
