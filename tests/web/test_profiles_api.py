"""Storage profiles over HTTP, on both databases."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.documents import new_id
from tests.web.service import Running, running

#: demo.md T3.
N: dict[str, Any] = {
    "code": "N",
    "institution": "TRP",
    "what": "dry nitrogen, room temperature",
    "limits": [
        {"quantity": "temperature", "unit": "K", "lower": 288.15, "upper": 298.15},
        {"quantity": "frost_point", "unit": "Cel", "upper": -40},
        {"quantity": "oxygen", "unit": "%", "upper": 0.01},
    ],
    "decisive": "frost_point",
    "lifetime_budget_s": 259_200,
    "single_budget_s": 28_800,
    "contact_materials": [{"material": "PTFE", "since": "2025-01-02"}],
    "because": "First",
}
PLACE = {"code": "TRP-GB1", "institution": "TRP", "what": "nitrogen glovebox", "profile": "N", "because": "First"}


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service, once on each database."""
    with running(database_url) as found:
        yield found


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Running]:
    """The service on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url) as found:
        yield found


def test_limits_are_kept_in_one_unit(service: Running) -> None:
    """0 °C is 273.15 K by definition (SI Brochure, 9th edition, 2.3.1); 0.01 % by volume is 100 ppm."""
    curator = service.add("cur", ("TRP", "curator"))

    made = service.post("/v1/profiles", N, curator)

    assert made["limits"] == [
        {"quantity": "temperature", "unit": "Cel", "lower": 15, "upper": 25},
        {"quantity": "frost_point", "unit": "Cel", "lower": None, "upper": -40},
        {"quantity": "oxygen", "unit": "[ppm]", "lower": None, "upper": 100},
    ]
    assert (made["decisive"], made["least_readings"], made["max_gap_s"]) == ("frost_point", 2, None)
    assert made["contact_materials"] == [{"material": "PTFE", "since": "2025-01-02"}]
    assert service.get("/v1/profiles/N", curator) == made
    assert service.get("/v1/profiles", curator)["items"] == [made]


def test_a_profile_is_dated_and_versioned(service: Running) -> None:
    """A stricter budget from a day on: asked about the day before, the old one holds; both clocks are asked apart."""
    admin = service.token("first")
    service.post("/v1/profiles", {**N, "valid_from": "2025-01-01T00:00:00Z"}, admin)
    service.clock.forward(minutes=5)
    words = {name: value for name, value in N.items() if name not in ("code", "institution")}
    stricter = {**words, "single_budget_s": 60, "valid_from": "2026-01-01T00:00:00Z", "because": "Water gain"}

    changed = service.client.put("/v1/profiles/N", json=stricter, headers={**admin, "If-Match": '"v1"'})

    assert (changed.status_code, changed.json()["version"]) == (200, 2)

    def single(**asked: str) -> int:
        found: int = service.get("/v1/profiles/N", admin, 200, **asked)["single_budget_s"]
        return found

    assert single(as_of="2025-12-31T00:00:00Z") == 28_800
    assert single(as_of="2026-01-02T00:00:00Z") == 60
    assert single(as_of="2026-01-02T00:00:00Z", known_on="2026-03-10T12:01:00Z") == 28_800


def test_a_place_may_name_what_nobody_described(service: Running) -> None:
    """What exists is kept: the place is stored, and says that its profile is not known until somebody describes it."""
    admin = service.token("first")

    assert service.post("/v1/places", PLACE, admin)["profile_known"] is False
    assert service.get("/v1/places/TRP-GB1", admin)["profile_known"] is False
    service.post("/v1/profiles", N, admin)
    assert service.get("/v1/places/TRP-GB1", admin)["profile_known"] is True
    assert [place["profile_known"] for place in service.get("/v1/places", admin)["items"]] == [True]


def test_everybody_reads_and_only_keepers_write(embedded: Running) -> None:
    """Whoever keeps a lent sample has to know the limits; another institution's curator changes nothing of them."""
    embedded.institution("TSI")
    borrower = embedded.add("bor", ("TSI", "curator"))
    clerk = embedded.add("clk", ("TRP", "clerk"))
    embedded.post("/v1/profiles", N, embedded.token("first"))

    assert embedded.get("/v1/profiles/N", borrower)["code"] == "N"
    for who, code in ((borrower, "X"), (clerk, "Y")):
        refused = embedded.post("/v1/profiles", {**N, "code": code}, who, status=403)
        assert refused["code"] == "not_your_role"


@pytest.mark.parametrize(
    ("change", "status", "where"),
    [
        ({"limits": [{"quantity": "smell", "unit": "Cel", "upper": 1}]}, 422, "/limits/0/quantity"),
        ({"limits": [{"quantity": "light", "unit": "Cel", "upper": 1}]}, 422, "/limits/0"),
        ({"limits": [{"quantity": "light", "unit": "lx", "lower": 2, "upper": 1}], "decisive": None}, 422, "/limits/0"),
        ({"limits": [{"quantity": "light", "unit": "lx", "upper": "1"}]}, 422, "/limits/0/upper"),
        ({"decisive": "light"}, 422, None),
        ({"single_budget_s": 300_000}, 422, None),
        ({"as_strict_as": ["S"]}, 404, "/as_strict_as"),
    ],
)
def test_what_contradicts_itself_is_refused(
    embedded: Running, change: dict[str, Any], status: int, where: str | None
) -> None:
    """Each with a pointer to the member where one is at fault; a profile that it is as strict as must be there."""
    problem = embedded.post("/v1/profiles", {**N, **change}, embedded.token("first"), status=status)

    pointers = [fault["pointer"] for fault in problem.get("errors", [])]
    assert where is None or where in pointers, problem
    assert embedded.get("/v1/profiles", embedded.token("first"))["items"] == []


def test_a_sample_is_set_to_another_profile(service: Running) -> None:
    """demo.md T16: under N where it was first stored, under C from a moment on; asked as of before, N still holds."""
    admin, curator = service.token("first"), service.add("cur", ("TRP", "curator"))
    names = {"name": "Braithmoss", "zone": "Europe/London", "because": "First"}
    service.post("/v1/collections", {"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM", **names}, admin)
    told = {"valid_from": "2025-01-01T00:00:00Z"}
    for code in ("N", "C"):
        service.post("/v1/profiles", {**N, "code": code, **told}, admin)
    service.post("/v1/places", {**PLACE, **told}, admin)
    wanted = {"kind": "sample", "form": "material", "what": "chip", "prefix": "BRM", "count": 1, "acting_for": "TRP"}
    chip = service.post("/v1/items", wanted, curator)["items"][0]["number"]
    service.clock.forward(minutes=1)
    fact = {"kind": "stored", "subjects": [chip], "acting_for": "TRP", "body": {"place": "TRP-GB1"}}
    raw = service.clock.at.isoformat()
    service.post("/v1/events", {"fact": {**fact, "id": new_id(), "time": {"raw": raw}}}, curator)
    stored_at = service.clock.at.isoformat()
    service.clock.forward(hours=1)
    curator = service.token("cur")

    made = service.post(f"/v1/items/{chip}/profile", {"profile": "C", "because": "organics"}, curator)

    assert (made["number"], made["before"], made["profile"]) == (chip, "N", "C")
    shown = service.get(f"/v1/items/{chip}", curator)
    assert (shown["profile"], shown["closed"]) == ("C", False)
    assert service.get(f"/v1/items/{chip}", curator, 200, as_of=stored_at)["profile"] == "N"
    unknown = service.post(f"/v1/items/{chip}/profile", {"profile": "X", "because": "typo"}, curator, status=404)
    assert unknown["errors"][0]["pointer"] == "/profile"
    later = {"profile": "C", "because": "planned", "from_at": "2030-01-01T00:00:00Z"}
    assert service.post(f"/v1/items/{chip}/profile", later, curator, status=422)["code"] == "malformed"
    clerk = service.add("clk", ("TRP", "clerk"))
    service.post(f"/v1/items/{chip}/profile", {"profile": "C", "because": "organics"}, clerk, status=403)
