"""Where loggers sat and sensors hung."""

from datetime import UTC, datetime, timedelta

from shipsvc.domain.placing import Mount, Put, Stay, max_gap_s, mounted, stays

T0 = datetime(2025, 3, 10, 8, tzinfo=UTC)


def hour(n: int) -> datetime:
    """The n-th hour of the story."""
    return T0 + timedelta(hours=n)


def put(item: str, n: int, *, placed: bool = True, logger: str = "LG-1", told: int | None = None) -> Put:
    """A fact about a logger, in hours."""
    return Put(logger, item, hour(n), placed, (hour(n if told is None else told), f"{item}{n}"))


def test_in_and_out() -> None:
    """From being placed to being removed; one that was never removed is still there."""
    found = stays([put("J1", 2), put("J1", 5, placed=False), put("J2", 7)], hour(9))
    assert found == [Stay("LG-1", "J1", hour(2), hour(5)), Stay("LG-1", "J2", hour(7), hour(9))]


def test_one_logger_is_in_one_place() -> None:
    """Placed elsewhere without a word of removal, it has left; other loggers stay where they are."""
    found = stays([put("J1", 1), put("O1", 4), put("J1", 3, logger="LG-2")], hour(6))
    assert found == [
        Stay("LG-1", "J1", hour(1), hour(4)),
        Stay("LG-1", "O1", hour(4), hour(6)),
        Stay("LG-2", "J1", hour(3), hour(6)),
    ]


def test_removed_from_where_it_was_not_told_to_be() -> None:
    """Whoever takes it out has it in hand: the stay ends, whichever box they named; one never placed has no stay."""
    assert stays([put("J1", 1), put("O1", 4, placed=False)], hour(6)) == [Stay("LG-1", "J1", hour(1), hour(4))]
    assert stays([put("O1", 4, placed=False)], hour(6)) == []


def test_a_fact_of_two_things() -> None:
    """A vial and the sample in it, named by one fact, have it alike."""
    both = [Put("LG-1", item, hour(1), True, (hour(1), "e1")) for item in ("V1", "S1")]
    assert {stay.item for stay in stays([*both, put("V1", 3, placed=False)], hour(6))} == {"V1", "S1"}


def test_a_sensor_that_moved() -> None:
    """At each instant the newest version that begins by then says where it hung; a mend of the past counts."""
    told = [Mount(1, hour(0), "A"), Mount(2, hour(5), "B"), Mount(3, hour(2), "C"), Mount(4, hour(7), None)]
    assert mounted(told, hour(9)) == [("A", hour(0), hour(2)), ("C", hour(2), hour(7))]
    assert mounted(told[:2], hour(9)) == [("A", hour(0), hour(5)), ("B", hour(5), hour(9))]
    assert mounted([Mount(1, hour(0), "A"), Mount(2, hour(3), "A")], hour(9)) == [("A", hour(0), hour(9))]


def test_widest_gap() -> None:
    """Rulings 22: three intervals, half an hour at least, unless it is set."""
    assert [max_gap_s(60, None), max_gap_s(900, None), max_gap_s(60, 120)] == [1800, 2700, 120]
