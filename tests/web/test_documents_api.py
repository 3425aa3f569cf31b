"""Institutions, collections, places and balances over HTTP, on both databases."""

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.store.tables import FOREVER, PackagingPrefix, table
from shipsvc.store.tables_derived import Item, ItemParty
from tests.web.service import START, Running, running

PLACE = {"code": "TRP-GB1", "institution": "TRP", "what": "nitrogen glovebox", "profile": "N", "because": "First"}
COLLECTION = {
    "code": "BRAITHMOSS",
    "owner": "TRP",
    "prefix": "BRM",
    "name": "Braithmoss",
    "zone": "Europe/London",
    "fell_at": "2025-01-18T19:42:00Z",
    "because": "First",
}
BALANCE: dict[str, Any] = {
    "code": "B2",
    "institution": "TRP",
    "what": "semi-micro",
    "readability_mg": "0.01",
    "repeatability_mg": "0.02",
    "good_until": "2027-01-31",
    "because": "First",
}


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


def put(service: Running, path: str, body: dict[str, Any], headers: dict[str, str], tag: str | None) -> Any:
    """PUT under an If-Match, or without one."""
    sent = headers if tag is None else {**headers, "If-Match": tag}
    return service.client.put(path, json=body, headers=sent)


def test_what_was_added_is_shown(service: Running) -> None:
    """201 with Location (RFC 9110 section 10.2.2) and a strong ETag (8.8.3), and GET there gives the same."""
    curator = service.add("cur", ("TRP", "curator"))

    for path, body in (("places", PLACE), ("collections", COLLECTION), ("balances", BALANCE)):
        made = service.client.post(f"/v1/{path}", json=body, headers=curator)
        assert made.status_code == 201, made.text
        assert made.headers["ETag"] == '"v1"'
        assert made.headers["Location"] == f"/v1/{path}/{body['code']}"
        shown = service.client.get(made.headers["Location"], headers=curator)
        assert shown.json() == made.json()
        assert shown.headers["ETag"] == '"v1"'
        assert body.items() <= made.json().items()


def test_balances_are_kept_in_whole_nanograms(service: Running) -> None:
    """0.01 mg is 10^4 ng and 0.02 mg 2 * 10^4 ng (SI prefixes), kept as integers and given back as typed."""
    service.post("/v1/balances", BALANCE, service.token("first"))

    with service.service.database.engine.connect() as connection:
        row = connection.execute(sa.text("SELECT readability_ng, repeatability_ng FROM balance")).one()
    assert tuple(row) == (10_000, 20_000)


def test_a_change_needs_the_version_it_follows(service: Running) -> None:
    """428 without If-Match (RFC 6585 section 3), 412 after somebody else's change (RFC 9110 section 13.1.1)."""
    admin = service.token("first")
    service.post("/v1/places", PLACE, admin)
    path, body = "/v1/places/TRP-GB1", {"what": "glovebox", "profile": "C", "because": "Cooled"}

    assert put(service, path, body, admin, None).status_code == 428
    second = put(service, path, body, admin, '"v1"')
    moved = put(service, path, body, admin, '"v1"')
    third = put(service, path, {**body, "profile": "N"}, admin, '"v9", "v2"')
    weak = put(service, path, body, admin, 'W/"v3"')
    fourth = put(service, path, body, admin, "*")

    assert (second.status_code, second.headers["ETag"]) == (200, '"v2"')
    assert (moved.status_code, moved.json()["code"]) == (412, "version_moved")
    assert (third.status_code, third.json()["version"]) == (200, 3)
    assert weak.status_code == 412
    assert (fourth.status_code, fourth.json()["version"]) == (200, 4)
    assert put(service, path, body, admin, "v4").status_code == 422
    assert put(service, "/v1/places/TRP-GB9", body, admin, '"v1"').status_code == 404


def test_a_change_keeps_what_it_may_not_touch(service: Running) -> None:
    """Code and institution come from the version before; naming them in a change is malformed."""
    admin = service.token("first")
    service.post("/v1/balances", BALANCE, admin)
    body = {name: BALANCE[name] for name in ("what", "readability_mg", "repeatability_mg")}
    change = {**body, "good_until": "2028-01-31", "because": "Yearly check"}

    changed = put(service, "/v1/balances/B2", change, admin, '"v1"').json()

    assert (changed["institution"], changed["good_until"], changed["because"]) == ("TRP", "2028-01-31", "Yearly check")
    assert put(service, "/v1/balances/B2", {**change, "institution": "TSI"}, admin, '"v2"').status_code == 422


def test_a_rename_told_late_answers_on_both_clocks(service: Running) -> None:
    """Fact E-31 of the scenario: renamed on 2026-07-01, told on 2026-07-20; asked about either day, before or after."""
    admin = service.token("first")
    service.institution("LSC", name="Lisgarth College", zone="America/Toronto", valid_from="2020-01-01T00:00:00Z")
    service.clock.at = service.clock.at.replace(month=7, day=20, hour=10)
    admin = service.token("first")
    body = {
        "name": "Lisgarth-Skelverby University",
        "kind": "borrower",
        "zone": "America/Toronto",
        "valid_from": "2026-07-01T04:00:00Z",
        "because": "Merged",
    }
    assert put(service, "/v1/institutions/LSC", body, admin, '"v1"').status_code == 200
    service.clock.forward(days=1)

    def name(as_of: str, known_on: str) -> str:
        found: str = service.get("/v1/institutions/LSC", service.token("first"), as_of=as_of, known_on=known_on)["name"]
        return found

    assert name("2026-06-30T12:00:00Z", "2026-07-21T00:00:00Z") == "Lisgarth College"
    assert name("2026-07-10T12:00:00Z", "2026-07-21T00:00:00Z") == "Lisgarth-Skelverby University"
    assert name("2026-07-10T12:00:00Z", "2026-07-15T00:00:00Z") == "Lisgarth College"
    listed = service.get("/v1/institutions", service.token("first"), as_of="2026-07-10T12:00:00Z")["items"]
    assert [one["name"] for one in listed if one["code"] == "LSC"] == ["Lisgarth-Skelverby University"]
    service.get("/v1/institutions/LSC", service.token("first"), status=404, as_of="2019-12-31T00:00:00Z")
    service.get("/v1/institutions/LSC", service.token("first"), status=404, known_on="2026-03-01T00:00:00Z")


def test_nothing_is_overwritten(service: Running) -> None:
    """After two changes of one instant three rows stand there, told one after the other."""
    admin = service.token("first")
    service.post("/v1/places", PLACE, admin)
    for version in (1, 2):
        body = {"what": f"change {version}", "profile": "N", "because": "Corrected"}
        assert put(service, "/v1/places/TRP-GB1", body, admin, f'"v{version}"').status_code == 200

    with service.service.database.engine.connect() as connection:
        rows = connection.execute(sa.text("SELECT version, what, recorded_at FROM place ORDER BY recorded_at")).all()
    assert [row[:2] for row in rows] == [(1, "nitrogen glovebox"), (2, "change 1"), (3, "change 2")]
    assert len({row[2] for row in rows}) == 3


def test_an_answer_that_could_still_change_says_so(embedded: Running) -> None:
    """Known on this very minute is provisional; known a minute ago, or simply now, is not (rulings 8)."""
    admin = embedded.token("first")
    now, ago = "2026-03-10T12:00:00Z", "2026-03-10T12:00:00+00:01"

    assert embedded.get("/v1/institutions/TRP", admin, known_on=now)["provisional"] is True
    embedded.clock.forward(minutes=1)
    assert embedded.get("/v1/institutions/TRP", admin, known_on=now)["provisional"] is False
    assert embedded.get("/v1/institutions/TRP", admin)["provisional"] is False
    embedded.get("/v1/institutions/TRP", admin, status=404, known_on=ago)


def test_pages_hold_every_document_once(service: Running) -> None:
    """Following rel="next" (RFC 8288) to the end, in the order of the codes, also when one is added on the way."""
    admin = service.token("first")
    codes = [f"TRP-{letter}{digit}" for letter in "ABC" for digit in range(3)]
    for code in reversed(codes):
        service.post("/v1/places", {**PLACE, "code": code}, admin)
    found: list[str] = []
    url: str | None = "/v1/places?limit=4&as_of=2026-03-10T14:00:00%2B01:00"
    while url:
        answer = service.client.get(url, headers=admin)
        assert answer.status_code == 200, answer.text
        found += [one["code"] for one in answer.json()["items"]]
        url = answer.links.get("next", {}).get("url")  # the client's own reading of the header
        assert (url is None) == (answer.json()["next"] is None)
        if len(found) == 4:
            service.post("/v1/places", {**PLACE, "code": "TRP-A"}, admin)

    assert found == codes


def test_cursors_are_of_one_list(embedded: Running) -> None:
    """One of another list, one cut short and one made up are malformed, said of the parameter."""
    admin = embedded.token("first")
    embedded.institution("TSI")
    cursor = embedded.get("/v1/institutions", admin, limit="1")["next"]

    for path, text in (("places", cursor), ("institutions", cursor[:-2]), ("institutions", "AAAA")):
        refused = embedded.get(f"/v1/{path}", admin, status=422, cursor=text)
        assert refused["errors"][0]["pointer"] == "/cursor"


def test_curators_and_registrars_keep_the_documents_of_their_institution(service: Running) -> None:
    """Of theirs and no other; other roles read. Administrators keep all."""
    service.institution("TSI")
    ours = [service.add(role, ("TRP", role)) for role in ("curator", "registrar")]
    others = [service.add("ana", ("TRP", "analyst")), service.add("aud", ("TRP", "auditor"))]
    theirs = service.add("far", ("TSI", "curator"))

    for number, headers in enumerate(ours):
        service.post("/v1/places", {**PLACE, "code": f"TRP-{number}"}, headers)
        service.post("/v1/places", {**PLACE, "code": "X-1", "institution": "TSI"}, headers, status=403)
    for headers in (*others, theirs):
        service.post("/v1/places", PLACE, headers, status=403)
        service.post("/v1/collections", COLLECTION, headers, status=403)
    body = {"name": "Renamed", "kind": "lender", "zone": "UTC", "because": "Asked"}
    assert put(service, "/v1/institutions/TRP", body, theirs, '"v1"').status_code == 403
    assert put(service, "/v1/institutions/TRP", body, ours[1], '"v1"').status_code == 200
    service.post("/v1/institutions", {"code": "NEW", **body}, ours[0], status=403)
    service.post("/v1/places", {**PLACE, "institution": "NOWHERE"}, service.token("first"), status=404)


def test_documents_are_seen_by_those_concerned(service: Running) -> None:
    """The own people, auditors, and the owner of a collection that has an item there; to others as if unknown."""
    service.institution("TSI")
    service.institution("MRL")
    admin = service.token("first")
    service.post("/v1/places", {**PLACE, "code": "TSI-N1", "institution": "TSI"}, admin)
    service.post("/v1/balances", {**BALANCE, "institution": "TSI"}, admin)
    analyst, lender = service.add("ana", ("TSI", "analyst")), service.add("cur", ("TRP", "curator"))
    stranger, auditor = service.add("far", ("MRL", "analyst")), service.add("aud", ("MRL", "auditor"))
    paths = ("/v1/places/TSI-N1", "/v1/balances/B2")

    for path in paths:
        assert [service.client.get(path, headers=h).status_code for h in (analyst, auditor)] == [200, 200]
        assert [service.client.get(path, headers=h).status_code for h in (lender, stranger)] == [404, 404]
    for number, collection in (("P01", None), ("BRM0001", "BRAITHMOSS")):
        lend(service, number, collection)
        assert [service.client.get(path, headers=lender).status_code for path in paths] == [
            200 if collection else 404
        ] * 2
    listed = [len(service.get("/v1/places", who)["items"]) for who in (analyst, lender, auditor, stranger)]
    assert listed == [1, 1, 1, 0]
    hidden = service.get("/v1/places/TSI-N1", stranger, status=404)["detail"]
    assert hidden.replace("N1", "N9") == service.get("/v1/places/TSI-N9", stranger, status=404)["detail"]


def lend(service: Running, number: str, collection: str | None) -> None:
    """Let TSI have to do with an item that TRP owns."""
    row = {
        "number": number,
        "kind": "sample" if collection else "parcel",
        "form": "material" if collection else "box",
        "owner": "TRP",
        "collection": collection,
        "what": "",
        "provisional": False,
        "newest_recorded_at": START,
    }
    with service.service.database.engine.begin() as connection:
        connection.execute(sa.insert(table(Item)).values({name: row[name] for name in row if name in table(Item).c}))
        connection.execute(sa.insert(table(ItemParty)).values(item=number, institution="TSI", until=FOREVER))


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        # JSON types (RFC 8259 section 3): a number is no time, a text or a boolean no number.
        ("places", {**PLACE, "valid_from": 0}, "/valid_from"),
        ("places", {**PLACE, "valid_from": "2026-03-10 12:00:00"}, "/valid_from"),
        ("collections", {**COLLECTION, "late_after_s": "5"}, "/late_after_s"),
        ("collections", {**COLLECTION, "late_after_s": True}, "/late_after_s"),
        ("collections", {**COLLECTION, "late_after_s": -1}, "/late_after_s"),
        ("collections", {**COLLECTION, "late_after_s": 2**31}, "/late_after_s"),
        ("balances", {**BALANCE, "readability_mg": 0.01}, "/readability_mg"),
        ("balances", {**BALANCE, "readability_mg": "0"}, "/readability_mg"),
        ("balances", {**BALANCE, "readability_mg": "0.0000001"}, "/readability_mg"),
        ("balances", {**BALANCE, "good_until": "2027-02-29"}, "/good_until"),
        ("balances", {**BALANCE, "good_until": 20270131}, "/good_until"),
        ("places", {**PLACE, "profil": "N"}, "/profil"),
        ("places", {**PLACE, "what": "a\x00b"}, "/what"),
        ("places", {**PLACE, "because": "  "}, "/because"),
        ("places", {**PLACE, "code": "trp-1"}, "/code"),
        ("collections", {**COLLECTION, "zone": "Atlantis/Capital"}, "/zone"),
        # tz database: names under right/ count leap seconds.
        ("collections", {**COLLECTION, "zone": "right/UTC"}, "/zone"),
        # rulings 25: a prefix holds no digit, O or I.
        ("collections", {**COLLECTION, "prefix": "BOM"}, "/prefix"),
        ("collections", {**COLLECTION, "prefix": "B1"}, "/prefix"),
    ],
)
def test_malformed_documents_are_refused(embedded: Running, path: str, body: dict[str, Any], pointer: str) -> None:
    """422 as a problem (RFC 9457) that points (RFC 6901) at the member."""
    answer = embedded.client.post(f"/v1/{path}", json=body, headers=embedded.token("first"))

    assert (answer.status_code, answer.headers["Content-Type"]) == (422, "application/problem+json")
    assert [fault["pointer"] for fault in answer.json()["errors"]] == [pointer]


def test_codes_and_prefixes_are_used_once(service: Running) -> None:
    """A code of a document that is there, a prefix of another collection, and one that packaging is numbered by."""
    admin = service.token("first")
    service.post("/v1/collections", COLLECTION, admin)
    row = {"prefix": "P", "institution": "TRP", "recorded_at": START, "actor": service.people["first"], "because": "x"}
    with service.service.database.engine.begin() as connection:
        connection.execute(sa.insert(table(PackagingPrefix)).values(row))

    for body in (COLLECTION, {**COLLECTION, "code": "OTHER"}, {**COLLECTION, "code": "OTHER", "prefix": "P"}):
        assert service.post("/v1/collections", body, admin, status=409)["code"] == "already_there"


def test_a_version_that_begins_later_is_followed_all_the_same(service: Running) -> None:
    """Today's answer is the old version; a change must follow the planned one, and holds from its own moment."""
    admin = service.token("first")
    service.post("/v1/places", PLACE, admin)
    plan = {"what": "cold glovebox", "profile": "C", "valid_from": "2026-06-01T00:00:00Z", "because": "Planned"}
    put(service, "/v1/places/TRP-GB1", plan, admin, '"v1"')

    assert service.get("/v1/places/TRP-GB1", admin)["version"] == 1
    assert put(service, "/v1/places/TRP-GB1", plan, admin, '"v1"').json()["detail"].count("version 2") == 1
    assert service.get("/v1/places/TRP-GB1", admin, as_of="2026-06-01T00:00:00Z")["profile"] == "C"
    called_off = {"what": "glovebox", "profile": "N", "because": "Called off"}
    assert put(service, "/v1/places/TRP-GB1", called_off, admin, '"v2"').status_code == 200
    assert service.get("/v1/places/TRP-GB1", admin, as_of="2026-06-02T00:00:00Z")["profile"] == "N"
