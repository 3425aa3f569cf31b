"""Answers about conditions: the bar of a window, each source, a threshold since the beginning, what a file changed."""

from datetime import timedelta

import pytest

from shipsvc.app import beyond, changes, conditions, report_pages
from shipsvc.app.access import Actor
from shipsvc.app.conditions import Conditions, Heard
from shipsvc.domain.times import Intervals, parse_instant
from shipsvc.store.documents import When
from shipsvc.store.engine import Database
from shipsvc.store.tables import FOREVER
from tests import sensed
from tests.trips import bad_air, cold_trip, told
from tests.world import World, number, typed

AUDITOR = Actor("p24", frozenset({("TRP", "auditor")}))
NOW = "2026-11-25T12:00:00Z"
PACKED, OPENED = "2025-03-24T08:25:00Z", "2025-04-01T00:45:00Z"


@pytest.fixture
def world(database: Database) -> World:
    """The trip T-02 of 0011."""
    return cold_trip(database)


def minutes(found: Intervals) -> int:
    """Whole minutes."""
    return found.total // timedelta(minutes=1)


def during(world: World, item: str, since: str, until: str, actor: Actor = AUDITOR, **more: bool) -> Conditions:
    """The conditions of a sample in a window."""
    when = When(parse_instant(until), FOREVER)
    with world.database.engine.connect() as connection:
        found = conditions.of_samples(connection, actor, [number(item)], when, parse_instant(since), **more)
    return found[number(item)]


def of(found: Conditions, source: str) -> Heard:
    """What one source said of the temperature."""
    (one,) = [heard for heard in found.heard if heard.source == source and heard.quantity == "temperature"]
    return one


def test_the_bar_of_the_trip(world: World) -> None:
    """T-02: 31 h 20 min proven out, 2 h 45 min indirect by the box, the rest proven in."""
    found = during(world, "BRM-0011", PACKED, OPENED)
    whole = (parse_instant(OPENED) - parse_instant(PACKED)) // timedelta(minutes=1)

    bar = found.bar
    assert [minutes(part) for part in (bar.proven_out, bar.indirect, bar.unknown, bar.by_record)] == [1880, 165, 0, 0]
    assert minutes(bar.proven_in) == whole - 1880 - 165


def test_both_loggers_are_shown_and_the_inner_one_counts(world: World) -> None:
    """Trade case 66: each with its own extremes and excursions; the box counts for no minute of the trip."""
    found = during(world, "BRM-0011", PACKED, OPENED)

    jar, box = of(found, "LG-101"), of(found, "LG-102")
    assert (jar.rank, box.rank, jar.highest, box.highest) == (2, 3, 11.4, -62.0)
    assert [e.peak for e in jar.excursions] == [11.4]
    assert box.excursions == ()
    assert (box.counts, jar.counts) == (Intervals(), jar.present)
    assert found.disagree == Intervals()  # not of one position


def test_two_at_one_position_that_disagree(world: World) -> None:
    """A second logger in the jar says cold while the first says warm: shown as such, and the warm one counts."""
    told(world, sensed.source, "LG-103", 10, "temperature")
    world.tell("logger_placed", "TJA-0002", "2025-03-24T08:20:00Z", told=NOW, logger="LG-103")
    world.tell("logger_removed", "TJA-0002", "2025-04-01T01:05:00Z", "MRL", told=NOW, logger="LG-103")
    told(world, sensed.send, "LG-103", "temperature", [("2025-03-24T08:30:00Z", OPENED, -20.0)], 10)

    found = during(world, "BRM-0011", PACKED, OPENED)

    assert minutes(found.disagree) == minutes(found.bar.proven_out) == 1880
    assert minutes(found.bar.unknown | found.bar.indirect) == 0  # together they cover the late start


def test_the_mean_kinetic_temperature_is_over_what_counts(world: World) -> None:
    """At a steady -20 °C it is -20 °C; over the warm day of the trip it lies near the warm end (USP <1160>)."""
    steady = during(world, "BRM-0011", "2025-05-01T00:00:00Z", "2025-05-02T00:00:00Z", measure=True).measured
    trip = during(world, "BRM-0011", PACKED, OPENED, measure=True).measured

    assert steady is not None
    assert trip is not None
    assert steady.mean_kinetic_c == pytest.approx(-20)
    assert steady.temperature_covered.total == timedelta(days=1)
    assert trip.mean_kinetic_c is not None
    assert -5 < trip.mean_kinetic_c < 11.4
    assert steady.frost_point_lowest_c is None


def test_the_frost_point_of_a_day(database: Database) -> None:
    """As measured where it is; else from temperature and humidity: 25 °C at 40 % is a dew point of 10.5 °C
    (common tables, computed with Magnus coefficients by the WMO guide)."""
    world = bad_air(database)
    measured = during(world, "BRM-0007", "2025-06-08T00:00:00Z", "2025-06-09T00:00:00Z", measure=True).measured
    assert measured is not None
    assert (measured.frost_point_lowest_c, measured.frost_point_highest_c) == (-60.0, -60.0)
    assert not measured.frost_point_computed

    told(world, sensed.source, "LG-7", 10, "temperature relative_humidity")
    world.tell("logger_placed", "TVA-0016", "2025-06-10T00:00:00Z", logger="LG-7")
    for quantity, value, unit in (("temperature", 25.0, "Cel"), ("relative_humidity", 40.0, "%")):
        told(
            world,
            sensed.send,
            "LG-7",
            quantity,
            [("2025-06-10T00:00:00Z", "2025-06-11T00:00:00Z", value)],
            10,
            unit=unit,
        )
    world.tell("stored", "BRM-0016", "2025-06-10T00:00:00Z", place="TRP-X9")
    computed = during(world, "BRM-0016", "2025-06-10T00:00:00Z", "2025-06-11T00:00:00Z", measure=True).measured
    assert computed is not None
    assert computed.frost_point_computed
    assert computed.frost_point_highest_c == pytest.approx(10.5, abs=0.1)


def test_of_others_one_sees_the_own_time_only(world: World) -> None:
    """Marlstrand has to do with it from when it was sent: how it was packed is its owner's affair."""
    theirs = Actor("p11", frozenset({("MRL", "analyst")}))

    found = during(world, "BRM-0011", PACKED, "2025-04-02T00:00:00Z", theirs)

    assert min(stay.start for stay in found.stays) == parse_instant("2025-03-24T09:15:00Z")
    assert {heard.source for heard in found.heard} <= {"LG-101", "LG-102", "PS-MRL-F1"}


def warm(world: World, item: str, above: float) -> tuple[int, int]:
    """Minutes above a temperature, at least and at most."""
    with world.database.engine.connect() as connection:
        when = When(parse_instant(NOW), FOREVER)
        out = beyond.beyond(connection, [number(item)], when, "temperature", above, None)[number(item)]
    return out.at_least // timedelta(minutes=1), out.at_most // timedelta(minutes=1)


def test_time_above_a_threshold_since_the_beginning(world: World) -> None:
    """Trade case 69: above -15 °C by readings 31:20 and 5:10; at most also what no source read."""
    in_f1 = parse_instant("2025-03-24T08:25:00Z") - parse_instant("2025-02-19T13:00:00Z")  # without a sensor
    unread = in_f1 + timedelta(hours=2, minutes=45)

    assert warm(world, "BRM-0011", -15) == (1880 + 310, 1880 + 310 + unread // timedelta(minutes=1))
    assert warm(world, "BRM-0011", 11.4)[0] == 0
    world.tell("divided", "BRM-0011", "2026-05-01T00:00:00Z", "MRL", children=[{"number": "BRM0012"}])
    assert warm(world, "BRM-0012", -15)[0] == 1880 + 310


def changed(world: World, source: str, before: str) -> list[tuple[str, str | None, int, int, bool]]:
    """The report of what a source changed."""
    asked = report_pages.asked(None, None, parse_instant(NOW))
    with world.database.engine.connect() as connection:
        found = changes.exposure_changes(
            connection, AUDITOR, asked, None, 100, source=source, before=parse_instant(before)
        )
    names = ("because_of", "was_at_least_s", "at_least_s", "changed")
    return [(entry.key[0], *(entry.fields[name] for name in names)) for entry in found]


def test_what_a_late_file_changed(world: World) -> None:
    """Every sample that was in the nest, and what was made of it since, with both figures side by side: as known
    before the file, a piece that was made later was not there."""
    world.tell("divided", "BRM-0011", "2026-05-01T00:00:00Z", "MRL", children=[{"number": "BRM0012"}])
    world.tell("registered", "BRM-0099", "2026-05-01T00:00:00Z", item="sample")

    assert changed(world, "LG-101", "2025-12-31T00:00:00Z") == [
        ("BRM0011", None, 40 * 60, (37 * 60 + 10) * 60, True),
        ("BRM0012", typed("BRM-0011"), 0, (37 * 60 + 10) * 60, True),
    ]
    assert [row[4] for row in changed(world, "LG-101", "2026-06-01T00:00:00Z")] == [False, False]


def test_what_a_sensor_of_a_place_concerns(database: Database) -> None:
    """Who was in the place, open or closed; those whose figure did not change are told apart."""
    found = changed(bad_air(database), "PS-TRP-GB1", "2025-12-31T00:00:00Z")

    assert {row[0]: row[4] for row in found} == {"BRM0007": True, "BRM0010": True, "BRM0012": True, "BRM0016": False}
