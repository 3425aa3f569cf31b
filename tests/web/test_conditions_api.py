"""What samples were exposed to, over HTTP: a chip's trip with a logger in its jar; who may ask; as JSON and as CSV."""

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import pytest

from shipsvc.web.deps import transaction
from tests import sensed
from tests.trips import COLD
from tests.web.chip import CHIP, JAR, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, collection, typed

LEFT, THERE = "2026-03-11T08:40:00Z", "2026-03-14T00:10:00Z"
#: Warm for two hours on the way, by readings every ten minutes.
READ = [
    ("2026-03-11T08:50:00Z", "2026-03-12T11:50:00Z", -20.0),
    ("2026-03-12T12:00:00Z", "2026-03-12T12:00:00Z", -15.0),
    ("2026-03-12T12:10:00Z", "2026-03-12T13:50:00Z", 5.0),
    ("2026-03-12T14:00:00Z", "2026-03-12T14:00:00Z", -15.0),
    ("2026-03-12T14:10:00Z", "2026-03-14T00:00:00Z", -20.0),
]


@pytest.fixture
def world(sqlite_database_url: str) -> Iterator[Collection]:
    """A chip under profile C, sent to SMP with a logger in its jar, and received."""
    with collection(sqlite_database_url) as found:
        with transaction(found.running.service, writes=True) as connection:
            sensed.describe(connection, "C", COLD, "temperature")
            sensed.place(connection, "TRP-GB1", "C")
            sensed.source(connection, "LG-1", 10, "temperature")
        send_chip(found)
        found.tell("cur", "TRP", "logger_placed", JAR, LEFT, "2026-03-11T10:10:00Z", logger="LG-1")
        receive_chip(found)
        with transaction(found.running.service, writes=True) as connection:
            sensed.send(connection, "LG-1", "temperature", READ, 10, "2026-03-14T00:20:00Z")
        found.at("2026-03-14T01:00:00Z")
        yield found


def of_chip(world: Collection, who: str, path: str, status: int = 200, **asked: str) -> Any:
    """Ask about the chip."""
    return world.get(who, f"items/{NUMBERS[CHIP]}/{path}", status, **asked)


def test_the_conditions_of_a_window(world: Collection) -> None:
    """Two warm hours are out, the rest of the trip is proven in but for what the logger said nothing of."""
    told = of_chip(world, "cur", "conditions", since=LEFT, as_of=THERE, measure="true")

    assert (told["proven_out_s"], told["profiles"]) == (7200, ["C"])
    whole_s = (datetime.fromisoformat(THERE) - datetime.fromisoformat(LEFT)).total_seconds()
    names = ("proven_out_s", "proven_in_s", "by_record_s", "indirect_s", "unknown_s")
    assert sum(told[name] for name in names) == whole_s
    assert {"start": "2026-03-12T12:00:00Z", "end": "2026-03-12T14:00:00Z", "state": "proven_out"} in told["parts"]
    (logger,) = told["sources"]
    assert (logger["where"], logger["rank"], logger["highest"]) == (NUMBERS[JAR], 2, 5.0)
    assert logger["excursions"][0]["counts"] == "certain"
    assert -20 < told["measured"]["mean_kinetic_temperature_cel"] < 5


def test_time_out_takes_readings_in(world: Collection) -> None:
    """At least are the warm hours; without the file, as known before it, nothing was proven either way."""
    out = of_chip(world, "cur", "time-out", as_of=THERE)
    before = of_chip(world, "cur", "time-out", as_of=THERE, known_on="2026-03-14T00:15:00Z")

    assert (out["at_least_s"], before["at_least_s"]) == (7200, 0)
    assert out["at_most_s"] == 7200
    assert before["at_most_s"] > 2 * 86_400


def test_time_beyond_a_threshold(world: Collection) -> None:
    """Above 0 °C: the line from -15 to 5 crosses 0 after 7.5 min of ten, so 1 h 45 min at least."""
    told = of_chip(world, "ana", "time-beyond", quantity="temperature", above="0")

    assert (told["at_least_s"], told["unit"]) == (105 * 60, "Cel")
    assert of_chip(world, "cur", "time-beyond", 422, quantity="temperature")["code"] == "malformed"
    assert (
        of_chip(world, "cur", "time-beyond", 422, quantity="temperature", above="1", below="2")["code"] == "malformed"
    )


def test_who_may_ask(world: Collection) -> None:
    """As for all that an item was: a stranger finds none; a window that ends before it begins is refused."""
    beyond = {"quantity": "temperature", "above": "0"}
    for path, asked in (("conditions", {}), ("time-beyond", beyond)):
        assert of_chip(world, "stranger", path, 404, **asked)["code"] == "not_found"
        assert of_chip(world, "driver", path, 404, **asked)["code"] == "not_found"
    assert of_chip(world, "cur", "conditions", 422, since="2027-01-01T00:00:00Z")["code"] == "malformed"


def test_did_it_stay_cold(world: Collection) -> None:
    """A shipment answers for each sample in it from its packing to its arrival; the carrier is told of none."""
    body = {"code": "T-01", "consignor": "TRP", "addressee": "SMP", "carrier": "CRK", "contents": [NUMBERS["P-0001"]]}
    world.post("clerk", "shipments", body)

    told = world.get("cur", "shipments/T-01/conditions", as_of=THERE)

    assert [(one["number"], one["proven_out_s"]) for one in told["samples"]] == [(NUMBERS[CHIP], 7200)]
    assert world.get("driver", "shipments/T-01/conditions")["samples"] == []
    assert world.get("stranger", "shipments/T-01/conditions", 404)["code"] == "not_found"


def test_excursions_of_a_source(world: Collection) -> None:
    """Its own, from a profile: start, end, peak, and the area in degree-hours; also as CSV."""
    told = world.get("cur", "reports/excursions", source="LG-1", profile="C")

    (row,) = told["items"]
    assert (row["start"], row["end"], row["peak"], row["length_s"]) == (
        "2026-03-12T12:00:00Z",
        "2026-03-12T14:00:00Z",
        5.0,
        7200,
    )
    assert row["area_h"] == pytest.approx(20 * (100 + 10) / 60, abs=1e-6)
    assert world.get("cur", "reports/excursions", 404, source="LG-9", profile="C")["code"] == "not_found"
    assert world.get("cur", "reports/excursions", 404, source="LG-1", profile="X")["code"] == "not_found"
    assert world.get("stranger", "reports/excursions", 404, source="LG-1", profile="C")["code"] == "not_found"
    head = {**world.head("cur"), "Accept": "text/csv"}
    answer = world.running.client.get("/v1/reports/excursions?source=LG-1&profile=C", headers=head)
    assert [line["counts"] for line in csv.DictReader(io.StringIO(answer.text))] == ["certain"]


def test_what_the_file_changed(world: Collection) -> None:
    """Both figures side by side; whoever has nothing to do with the sample is told of none."""
    asked = {"source": "LG-1", "before": "2026-03-14T00:15:00Z"}

    (row,) = world.get("cur", "reports/exposure-changes", **asked)["items"]

    assert (row["item"], row["was_at_least_s"], row["at_least_s"], row["changed"]) == (NUMBERS[CHIP], 0, 7200, True)
    assert world.get("stranger", "reports/exposure-changes", **asked)["items"] == []


def test_who_was_in_that_cabinet(world: Collection) -> None:
    """The chip lay there in a closed vial; page by page; a window has to have a length."""
    asked = {"place": "TRP-GB1", "since": "2026-03-10T00:00:00Z", "until": "2026-03-12T00:00:00Z"}

    (row,) = world.get("cur", "reports/place-incident", **asked)["items"]

    assert (row["item"], row["closed"], row["exposed"], row["children"]) == (NUMBERS[CHIP], "yes", "no", [])
    assert row["there_s"] == (21 * 60 + 45) * 60
    assert world.get("stranger", "reports/place-incident", **asked)["items"] == []
    refused = world.get("cur", "reports/place-incident", 422, **{**asked, "until": asked["since"]})
    assert refused["code"] == "malformed"


def test_two_side_by_side(world: Collection) -> None:
    """The chip with itself has itself in common; a name that means nothing to the asker is none."""
    itself: Any = {"with": NUMBERS[CHIP]}
    told = of_chip(world, "cur", "compared", **itself)

    assert [(c["number"], c["share_of_one"]) for c in told["common"]] == [(NUMBERS[CHIP], "1")]
    assert [side["at_least_s"] for side in told["sides"]] == [7200, 7200]
    nobody: Any = {"with": typed("BRM-0099")}
    assert of_chip(world, "cur", "compared", 404, **nobody)["code"] == "not_found"
    assert of_chip(world, "stranger", "compared", 404, **itself)["code"] == "not_found"


def test_the_cleanest(world: Collection) -> None:
    """A family of one, ranked; a threshold needs a quantity and a value."""
    asked = {"family": NUMBERS[CHIP]}

    (row,) = world.get("cur", "reports/cleanest", quantity="temperature", above="0", **asked)["items"]

    assert (row["item"], row["beyond_at_least_s"], row["at_least_s"]) == (NUMBERS[CHIP], 105 * 60, 7200)
    assert world.get("cur", "reports/cleanest", **asked)["items"][0]["beyond_at_least_s"] is None
    assert world.get("cur", "reports/cleanest", 422, quantity="temperature", **asked)["code"] == "malformed"
    assert world.get("stranger", "reports/cleanest", 404, **asked)["code"] == "not_found"
