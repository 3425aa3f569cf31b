"""The shipping clerk: labels, nested packing, a loading bay without a network, scanning out (trade.md 1.2).

What they fear: a wrong vial, papers that do not match, no signal in the loading bay.
"""

import io
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
import zxingcpp
from PIL import Image

from tests.journeys.steps import House, Json, Person, handed_to_courier, house, issued, packed, stored_chip


@pytest.fixture
def repository(sqlite_database_url: str) -> Iterator[House]:
    """The story's beginning, on SQLite."""
    with house(sqlite_database_url) as found:
        yield found


@pytest.fixture
def anywhere(database_url: str) -> Iterator[House]:
    """The story's beginning, once on each database."""
    with house(database_url) as found:
        yield found


def scanned(image: bytes) -> str:
    """What zxing-cpp, a decoder that is none of ours, reads from the one symbol on a printed label."""
    (found,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(image), formats=["PNG"]))
    return str(found.text)


def test_the_clerk_labels_new_vials_and_a_box(repository: House) -> None:
    """Numbers are given out, labels printed, and what a phone reads from the paper leads back to the thing."""
    clerk = repository.person("clerk")
    (first, second), (box,) = issued(clerk, "vial", "4 ml, steel cap", 2), issued(clerk, "overpack", "foam box")
    assert [number for number, _ in (first, second, box)] == ["V-0001-5", "V-0002-3", "P-0001-C"]

    for number, code in (first, second, box):
        address = scanned(clerk.reads(f"labels/{code}.png", "image/png"))
        assert urlsplit(address).netloc == "127.0.0.1:8000"
        assert urlsplit(address).path.startswith(f"/S/{code}.")

        meant = clerk.asks(f"labels/{address.rpartition('/')[2]}")
        assert (meant["number"], meant["state"], meant["authentic"]) == (number, "live", True)
        assert meant["said"] == "This label is the live one."


def test_a_stranger_who_scans_the_box_learns_whom_to_call(repository: House) -> None:
    """Trade case 24: how to keep it and that there is somebody to ask; nothing of what it is or where from or to."""
    box = packed(repository)
    clerk = repository.person("clerk")
    path = urlsplit(scanned(clerk.reads(f"labels/{box.labels[box.box]}.png", "image/png"))).path

    page = repository.running.client.get(path)

    assert page.status_code == 200
    assert "upright" in page.text
    assert "Tarnhythe Repository" in page.text
    assert not [word for word in ("BRM", "chip", "TSI", "Tokyo", "mg") if word in page.text]


def queued(clerk: Person, chip_seen: str, numbers: dict[str, str]) -> list[Json]:
    """What the phone saw in one second of its clock, five minutes slow, in the order of its own count."""
    second = "2026-03-11T08:25:00Z"
    vial, bag, jar, box = (numbers[form] for form in ("vial", "bag", "jar", "overpack"))
    return [
        clerk.fact("label_attached", chip_seen, second, sequence=1, to=vial),
        clerk.fact("packed", numbers["chip"], second, sequence=2, into=vial, material=True),
        clerk.fact("packed", vial, second, sequence=3, into=bag),
        clerk.fact("packed", bag, second, sequence=4, into=jar),
        clerk.fact("sealed", jar, second, sequence=5, seals=["S-0001"]),
        clerk.fact("packed", jar, second, sequence=6, into=box),
        clerk.fact("sealed", box, second, sequence=7, seals=["S-0002"]),
    ]


def test_the_clerk_packs_where_there_is_no_network(anywhere: House) -> None:
    """The queue of an offline phone goes up in one batch: shuffled, one fact twice, one malformed, its clock slow."""
    clerk = anywhere.person("clerk")
    chip, label = stored_chip(anywhere)
    numbers = {form: issued(clerk, form, form)[0][0] for form in ("vial", "bag", "jar", "overpack")} | {"chip": chip}
    address = scanned(clerk.reads(f"labels/{label}.png", "image/png"))
    queue = queued(clerk, address, numbers)
    unreadable = clerk.fact("sealed", numbers["overpack"], "2026-03-11T08:25:01Z", sequence=8, seals=[])
    anywhere.stand_at("2026-03-11T17:00:00Z")

    sent = [*reversed(queue), queue[0], unreadable]
    phone = {"device": "phone-3", "boot": "7", "device_now": "2026-03-11T16:55:00Z"}
    results = clerk.does("events", {**phone, "facts": sent}, 200)["results"]

    assert [result["id"] for result in results] == [fact["id"] for fact in sent]
    assert [result["status"] for result in results] == ["recorded"] * 8 + ["failed"]
    assert [result["replayed"] for result in results[:8]] == [False] * 7 + [True]
    assert {result["happened_at"] for result in results[:8]} == {"2026-03-11T08:30:00Z"}
    assert all("clock_skew" in result["flags"] for result in results[:8])
    problem = results[-1]["problem"]
    assert (problem["status"], problem["errors"][0]["pointer"]) == (422, "/body/seals")

    nest = clerk.asks(f"items/{chip}")["nest"]
    assert [step["number"] for step in nest] == [numbers[form] for form in ("vial", "bag", "jar", "overpack")]
    assert {step["since"] for step in nest} == {"2026-03-11T08:30:00Z"}
    # A retry of the whole queue, word for word, changes nothing.
    again = clerk.does("events", {**phone, "facts": sent[:8]}, 200)["results"]
    assert [result["replayed"] for result in again] == [True] * 8


def inside_out(packing: Json) -> list[tuple[str, list[str]]]:
    """The numbers of a packing list with their seals, from the outside in."""
    found, level = [], packing["contents"]
    while level:
        (thing,) = level
        found.append((thing["number"], [seal["seal"] for seal in thing["seals"]]))
        level = thing["contents"]
    return found


def test_the_clerk_scans_out(repository: House) -> None:
    """The papers come from what was scanned; at the bay both sides speak and the courier answers for the box."""
    box = packed(repository)
    clerk, driver = repository.person("clerk"), repository.person("driver")
    papers = clerk.asks(f"shipments/{box.shipment}/packing-list")
    assert inside_out(papers) == [
        (box.box, ["S-0002"]),
        (box.jar, ["S-0001"]),
        (box.bag, []),
        (box.vial, []),
        (box.sample, []),
    ]
    repository.stand_at("2026-03-11T09:30:00Z")

    handed_to_courier(repository, box, "2026-03-11T10:05:00Z")

    (parcel,) = clerk.asks(f"shipments/{box.shipment}")["contents"]
    assert (parcel["state"], parcel["holder"], parcel["handover"]) == ("moving", "CRK", "agreed")
    held = clerk.asks(f"items/{box.sample}")
    assert held["custody"]["certain"] == "CRK"
    assert (held["where"]["status"], held["where"]["place"]) == ("in_transit", "TRP-GB1")
    # What is written on the papers stays as it was when it left, and the driver is not shown what is inside.
    left = clerk.asks(f"shipments/{box.shipment}/packing-list")
    assert (left["packed_at"], inside_out(left)) == ("2026-03-11T10:05:00Z", inside_out(papers))
    assert inside_out(driver.asks(f"shipments/{box.shipment}/packing-list")) == [(box.box, ["S-0002"])]


def test_a_reprint_takes_the_place_of_the_old_label(repository: House) -> None:
    """Whoever scans the old label is told what took its place, when and why; it can be drawn no more."""
    clerk = repository.person("clerk")
    ((vial, old),) = issued(clerk, "vial", "4 ml, steel cap")
    repository.stand_at("2026-03-20T09:00:00Z")
    refused = clerk.does(f"items/{vial}/labels", {}, 409)
    assert refused["errors"][0]["pointer"] == "/because"

    new = clerk.does(f"items/{vial}/labels", {"because": "The old one came off in the cold"})

    assert (new["serial"], new["state"]) == (2, "live")
    assert scanned(clerk.reads(f"labels/{new['code']}.png", "image/png")).startswith(
        f"HTTP://127.0.0.1:8000/S/{new['code']}."
    )
    told = clerk.asks(f"labels/{old}")
    assert (told["state"], told["replaced_by"]["code"]) == ("replaced", new["code"])
    assert told["said"] == (
        "This label was replaced by print 2 on 2026-03-20T09:00:00Z: The old one came off in the cold."
    )
    assert clerk.asks(f"labels/{old}.png", 409)["code"] == "rule_forbids"
    # A scan of the old one still finds the vial: facts are about what was seen.
    clerk.tells("seen", old, "2026-03-20T09:05:00Z")
    history = clerk.asks(f"items/{vial}/history")["items"]
    assert [(fact["kind"], fact["subjects"]) for fact in history if fact["kind"] == "seen"] == [("seen", [old])]
