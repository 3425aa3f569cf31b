"""Shipments over HTTP: written down, under way parcel by parcel, changed, turned round, coming, packed."""

import uuid
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from shipsvc.app.record import ATTEMPTS
from shipsvc.web.decisions import attempted, new_id
from tests.web.documents import new_id as fact_id
from tests.web.service import Running, running

SHIPMENT: dict[str, Any] = {
    "code": "T-01",
    "consignor": "TRP",
    "addressee": "TSI/mail-room",
    "carrier": "CRK",
    "expected_by": "2026-03-14T12:00:00Z",
    "handling": "Keep upright and dry.",
    "loan": "L-01",
    "why": "L-01 out",
    "contents": ["P-001-5", "P-002-3"],
}


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service with two boxes at TRP, once on each database."""
    with running(database_url) as found:
        yield packed(found)


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Running]:
    """The same on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url) as found:
        yield packed(found)


def packed(service: Running) -> Running:
    """P-001 holds a jar with the sample BRM-0010; P-002 is empty. TSI waits, CRK carries, MRL has no part in it."""
    service.institution("TSI")
    service.institution("MRL", zone="Australia/Adelaide")
    service.institution("CRK", kind="courier", zone="UTC")
    service.add("rec", ("TSI", "receiver"))
    service.add("drv", ("CRK", "driver"))
    clerk = service.add("clerk", ("TRP", "clerk"))
    tell(service, clerk, "registered", "BRM-0010-J", "TRP", item="sample", mass="1204.3 mg", what="chip")
    tell(service, clerk, "registered", "J-001-R", "TRP", item="container", form="jar")
    for box in ("P-001-5", "P-002-3"):
        tell(service, clerk, "registered", box, "TRP", item="parcel", form="overpack", what="foam box")
    tell(service, clerk, "packed", "BRM-0010-J", "TRP", into="J-001-R")
    tell(service, clerk, "packed", "J-001-R", "TRP", into="P-001-5")
    tell(service, clerk, "sealed", "P-001-5", "TRP", seals=["S-1002"])
    return service


def tell(service: Running, headers: dict[str, str], kind: str, subject: str, acting_for: str, **body: Any) -> None:
    """A fact that happens now; a minute passes."""
    fact = {
        "id": fact_id(),
        "kind": kind,
        "subjects": [subject],
        "time": {"raw": service.clock.at.isoformat()},
        "acting_for": acting_for,
        "body": {name.rstrip("_"): value for name, value in body.items()},
    }
    service.post("/v1/events", {"fact": fact}, headers)
    service.clock.forward(minutes=1)


def states(shown: dict[str, Any]) -> dict[str, str]:
    """The state of each parcel in an answer."""
    return {parcel["number"]: parcel["state"] for parcel in shown["contents"]}


def test_a_trip_parcel_by_parcel(service: Running) -> None:
    """Trade case 34: one arrives, one is under way; the answer says of which moment it is, and what was told last."""
    clerk, receiver, driver = (service.token(who) for who in ("clerk", "rec", "drv"))
    made = service.client.post("/v1/shipments", json=SHIPMENT, headers=clerk)
    assert made.status_code == 201, made.text
    assert (made.headers["Location"], made.headers["ETag"]) == ("/v1/shipments/T-01", '"v1"')
    assert states(made.json()) == {"P-001-5": "preparing", "P-002-3": "preparing"}
    service.clock.forward(minutes=1)
    for box in ("P-001-5", "P-002-3"):
        tell(service, clerk, "released", box, "TRP", to="CRK", shipment="T-01")
        tell(service, driver, "accepted", box, "CRK", from_="TRP", shipment="T-01")
    tell(service, receiver, "accepted", "P-002-3", "TSI", from_="CRK", shipment="T-01")

    shown = service.get("/v1/shipments/T-01", receiver)

    assert states(shown) == {"P-001-5": "moving", "P-002-3": "confirmed"}
    assert [parcel["holder"] for parcel in shown["contents"]] == ["CRK", None]
    assert [parcel["last"]["kind"] for parcel in shown["contents"]] == ["accepted", "accepted"]
    assert shown["contents"][1]["confirmed_at"] == shown["contents"][1]["last"]["happened_at"]
    assert (shown["as_of"], shown["provisional"], shown["overdue"]) == (shown["known_on"], True, False)
    assert states(service.get("/v1/shipments/T-01", receiver, as_of=made.json()["as_of"])) == states(made.json())
    found = {state: service.get("/v1/shipments", clerk, state=state)["items"] for state in ("moving", "held")}
    assert [len(items) for items in found.values()] == [1, 0]


def test_what_is_coming_with_what_is_in_it(service: Running) -> None:
    """Trade question 21: what is arriving, when, and what to do; late once its hour has passed."""
    clerk, receiver = service.token("clerk"), service.token("rec")
    service.post("/v1/shipments", SHIPMENT, clerk)
    later = {**SHIPMENT, "code": None, "expected_by": "2026-03-12T12:00:00Z", "contents": []}
    assert service.post("/v1/shipments", later, clerk)["code"] == "TRP-T-2"
    service.post("/v1/shipments/TRP-T-2/contents", {"contents": ["P-002-3"], "because": "a box"}, clerk, 200)
    service.clock.at = datetime(2026, 3, 13, tzinfo=UTC)
    receiver = service.token("rec")

    first = service.client.get("/v1/arriving", params={"institution": "TSI", "limit": "1"}, headers=receiver)
    rest = service.client.get(first.links["next"]["url"], headers=receiver)

    assert [[one["code"] for one in page.json()["items"]] for page in (first, rest)] == [["TRP-T-2"], ["T-01"]]
    (late,), (coming,) = first.json()["items"], rest.json()["items"]
    assert (late["overdue"], coming["overdue"], coming["handling"]) == (True, False, "Keep upright and dry.")
    (jar,) = coming["packed"][0]["contents"]
    assert (jar["number"], jar["contents"][0]["number"], jar["contents"][0]["mass_mg"]) == (
        "J-001-R",
        "BRM-0010-J",
        "1204.3",
    )
    assert service.get("/v1/arriving", service.token("clerk"), 403, institution="TSI")["code"] == "not_your_institution"


def test_a_change_follows_a_version(service: Running) -> None:
    """428 without If-Match, 412 behind another's change (RFC 6585 section 3, RFC 9110 section 13.1.1)."""
    clerk = service.token("clerk")
    service.post("/v1/shipments", SHIPMENT, clerk)
    body = {"addressee": "TSI", "carrier": "CRK", "expected_by": "2026-03-16T12:00:00Z", "because": "closed that day"}

    def put(tag: str | None) -> Any:
        sent = clerk if tag is None else {**clerk, "If-Match": tag}
        return service.client.put("/v1/shipments/T-01", json=body, headers=sent)

    assert put(None).status_code == 428
    changed = put('"v1"')
    assert (changed.status_code, changed.headers["ETag"]) == (200, '"v2"')
    assert (changed.json()["addressee"], changed.json()["expected_by"]) == ("TSI", body["expected_by"])
    assert (changed.json()["because"], changed.json()["why"]) == ("closed that day", "L-01 out")
    assert put('"v1"').status_code == 412
    assert service.client.put("/v1/shipments/T-01", json=body, headers=service.token("rec")).status_code == 428


def test_turned_round_by_the_driver(service: Running) -> None:
    """The decision is in the log under an id of version 7, and the consignor's receipt ends the trip."""
    clerk, driver = service.token("clerk"), service.token("drv")
    service.post("/v1/shipments", {**SHIPMENT, "contents": ["P-001-5"]}, clerk)
    tell(service, clerk, "released", "P-001-5", "TRP", to="CRK", shipment="T-01")
    tell(service, driver, "accepted", "P-001-5", "CRK", from_="TRP", shipment="T-01")
    turned_at = service.clock.at.isoformat()
    service.clock.forward(minutes=10)
    keyed = {**driver, "Idempotency-Key": "turn"}
    body = {"turned_at": turned_at, "because": "recalled"}
    for _ in range(2):
        answer = service.client.post("/v1/shipments/T-01/turn-round", json=body, headers=keyed)
        assert answer.status_code == 200, answer.text

    shown = service.get("/v1/shipments/T-01", clerk)
    assert (shown["addressee"], shown["version"], states(shown)) == ("TRP", 2, {"P-001-5": "turned_round"})
    last = shown["contents"][0]["last"]
    assert (last["kind"], last["acting_for"], uuid.UUID(last["event_id"]).version) == ("turned_round", "CRK", 7)
    tell(service, clerk, "accepted", "P-001-5", "TRP", from_="CRK", shipment="T-01")
    assert states(service.get("/v1/shipments/T-01", clerk)) == {"P-001-5": "confirmed"}
    refused = service.client.post("/v1/shipments/T-01/turn-round", json=body, headers=driver)
    assert (refused.status_code, refused.json()["code"]) == (409, "rule_forbids")


def test_the_carrier_sees_parcels_and_a_stranger_nothing(embedded: Running) -> None:
    """Rulings 16: neither contents, nor loan, nor purpose; unknown and invisible look alike."""
    clerk, driver = embedded.token("clerk"), embedded.token("drv")
    embedded.post("/v1/shipments", SHIPMENT, clerk)

    carried, whole = (embedded.get("/v1/shipments/T-01", who) for who in (driver, clerk))
    assert (carried["loan"], carried["why"], carried["contents"][0]["what"]) == (None, "", "")
    assert (whole["loan"], whole["why"], whole["contents"][0]["what"]) == ("L-01", "L-01 out", "foam box")
    assert carried["handling"] == whole["handling"]
    packing = embedded.get("/v1/shipments/T-01/packing-list", driver)
    assert [(box["number"], box["contents"]) for box in packing["contents"]] == [("P-001-5", []), ("P-002-3", [])]
    assert [seal["seal"] for seal in packing["contents"][0]["seals"]] == ["S-1002"]

    stranger = embedded.add("str", ("MRL", "curator"))
    for path in ("/v1/shipments/{}", "/v1/shipments/{}/packing-list"):
        hidden = embedded.get(path.format("T-01"), stranger, 404)
        assert hidden["detail"] == embedded.get(path.format("T-99"), stranger, 404)["detail"].replace("T-99", "T-01")
    assert embedded.get("/v1/shipments", stranger)["items"] == []


@pytest.mark.parametrize(
    ("change", "status", "pointer"),
    [
        ({"addressee": "TSI/"}, 422, "/addressee"),
        ({"addressee": "XYZ"}, 404, "/addressee"),
        ({"carrier": "XYZ"}, 404, "/carrier"),
        ({"contents": ["P-003-1"]}, 404, "/contents/0"),
        ({"contents": ["P-001-5", "P-001-5"]}, 422, "/contents/1"),
        ({"contents": ["P-001-6"]}, 422, "/contents/0"),
        ({"expected_by": "2026-03-14"}, 422, "/expected_by"),
        ({"code": "T-" + "1" * 16 + "-" + "1" * 16}, 422, "/code"),
        ({"consignor": "TSI"}, 403, None),
    ],
)
def test_refused(embedded: Running, change: dict[str, Any], status: int, pointer: str | None) -> None:
    """Malformed, unknown, and not theirs to send, each with a pointer to the member where there is one."""
    answer = embedded.client.post("/v1/shipments", json={**SHIPMENT, **change}, headers=embedded.token("clerk"))

    assert answer.status_code == status, answer.text
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ([pointer] if pointer else [])


def test_ids_of_decisions() -> None:
    """RFC 9562 appendix A.6: 2022-02-22T19:22:22Z is 0x017F22E279B0 ms; version 7, variant 10, and no two alike."""
    at = datetime(2022, 2, 22, 19, 22, 22, tzinfo=UTC)

    found = [uuid.UUID(new_id(at)) for _ in range(100)]

    assert {one.int >> 80 for one in found} == {0x017F22E279B0}
    assert {(one.version, one.variant) for one in found} == {(7, uuid.RFC_4122)}
    assert len(set(found)) == 100


def test_another_try_when_the_nest_grew() -> None:
    """Rulings 9: rolled back and tried again, so many times at most; then the caller is told to come again."""
    from shipsvc.app.record import AffectedGrew
    from shipsvc.domain.errors import Away

    tries: list[int] = []

    def act(fails: int) -> int:
        tries.append(1)
        if len(tries) <= fails:
            raise AffectedGrew
        return len(tries)

    assert attempted(lambda: act(ATTEMPTS - 1)) == ATTEMPTS
    tries.clear()
    with pytest.raises(Away):
        attempted(lambda: act(ATTEMPTS))
