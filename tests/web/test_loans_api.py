"""Loans over HTTP: signing, the dates of a line, decisions, who may take them, and the description of it all."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI

from shipsvc.web import api_loans, api_shipments, openapi
from tests.web.documents import every_example_fits, every_member_is_explained, new_id
from tests.web.service import Running, running

LOAN: dict[str, Any] = {
    "code": "L-08",
    "lender": "TRP",
    "borrower": "TSI",
    "responsible": "p08",
    "purpose": "noble gas",
    "lines": ["BRM-0022-B"],
    "due_on": "2026-12-31",
}


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service with a lender, a borrower and a sample, once on each database."""
    with running(database_url) as found:
        yield peopled(found)


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Running]:
    """The same on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url) as found:
        yield peopled(found)


def peopled(service: Running) -> Running:
    """TRP owns BRM-0022; TSI is in Tokyo, MRL in Adelaide, CRK carries."""
    service.institution("TSI")
    service.institution("MRL", zone="Australia/Adelaide")
    service.institution("CRK", kind="courier", zone="UTC")
    curator = service.add("cur", ("TRP", "curator"))
    tell(service, curator, "registered", "BRM-0022-B", "TRP", item="sample", mass="30.877 mg")
    return service


def tell(service: Running, headers: dict[str, str], kind: str, subject: str, acting_for: str, **body: Any) -> None:
    """A fact that happens now."""
    fact = {
        "id": new_id(),
        "kind": kind,
        "subjects": [subject],
        "time": {"raw": service.clock.at.isoformat()},
        "acting_for": acting_for,
        "body": {name.rstrip("_"): value for name, value in body.items()},
    }
    service.post("/v1/events", {"fact": fact}, headers)


def test_a_loan_from_signing_to_closing(service: Running) -> None:
    """What is owed is read from the facts: signed, sent, held, returned, closed; each decision is a version."""
    curator, receiver = service.token("cur"), service.add("rec", ("TSI", "receiver"))
    made = service.client.post("/v1/loans", json=LOAN, headers=curator)
    assert made.status_code == 201, made.text
    assert (made.headers["Location"], made.headers["ETag"]) == ("/v1/loans/L-08", '"v1"')
    assert made.json()["zone"] == "Asia/Tokyo"
    (line,) = made.json()["lines"]
    assert (line["number"], line["state"], line["due_at"]) == ("BRM-0022-B", "promised", "2026-12-31T15:00:00Z")

    service.clock.forward(minutes=5)
    tell(service, curator, "released", "BRM-0022-B", "TRP", to="TSI")
    service.clock.forward(minutes=5)
    tell(service, receiver, "accepted", "BRM-0022-B", "TSI", from_="TRP")
    service.clock.at = datetime(2026, 11, 25, 12, tzinfo=UTC)
    receiver, curator = service.token("rec"), service.token("cur")
    (line,) = service.get("/v1/loans/L-08", receiver)["lines"]
    assert (line["state"], line["holder"], line["days_left"], line["overdue"]) == ("held", "TSI", 36, False)

    refused = service.client.post("/v1/loans/L-08/close", json={"because": "done"}, headers=curator)
    assert (refused.status_code, refused.json()["code"]) == (409, "rule_forbids")
    assert "BRM-0022-B (held)" in refused.json()["detail"]

    tell(service, receiver, "released", "BRM-0022-B", "TSI", to="TRP")
    service.clock.forward(minutes=1)
    tell(service, curator, "accepted", "BRM-0022-B", "TRP", from_="TSI")
    service.clock.forward(minutes=1)
    closed = service.post("/v1/loans/L-08/close", {"because": "done"}, curator, 200)
    assert (closed["state"], closed["version"], closed["lines"][0]["in_time"]) == ("closed", 2, True)
    assert service.get("/v1/loans", curator, closed="false")["items"] == []
    assert [loan["code"] for loan in service.get("/v1/loans", curator, borrower="TSI")["items"]] == ["L-08"]


def test_extension_and_recall(service: Running) -> None:
    """Both are due dates from a moment on: as of before it, and as known before it was told, the old one holds."""
    curator = service.token("cur")
    service.post("/v1/loans", LOAN, curator)
    signed = service.clock.at
    service.clock.forward(days=10)
    curator = service.token("cur")
    granted = {
        "due_on": "2027-06-30",
        "granted_at": "2026-03-15T12:00:00Z",
        "asked_on": "2026-03-12",
        "because": "more",
    }
    extended = service.post("/v1/loans/L-08/due", granted, curator, 200)
    assert (extended["due_on"], extended["agreed_due_on"], extended["version"]) == ("2027-06-30", "2026-12-31", 2)

    before = service.get("/v1/loans/L-08", curator, as_of="2026-03-14T12:00:00Z")
    assert before["due_on"] == "2026-12-31"
    known = service.get("/v1/loans/L-08", curator, as_of="2026-03-16T12:00:00Z", known_on="2026-03-16T12:00:00Z")
    assert (known["due_on"], known["known_on"], known["provisional"]) == ("2026-12-31", "2026-03-16T12:00:00Z", False)

    service.clock.forward(days=1)
    curator = service.token("cur")
    recalled = service.post("/v1/loans/L-08/recall", {"due_on": "2026-04-30", "because": "reserve"}, curator, 200)
    assert (recalled["state"], recalled["due_on"]) == ("recalled", "2026-04-30")
    assert signed.isoformat().startswith(recalled["signed_at"][:19])


def test_a_retry_decides_once(service: Running) -> None:
    """Promise 7: under one Idempotency-Key the decision is taken once and answered alike."""
    curator = service.token("cur")
    service.post("/v1/loans", LOAN, curator)
    keyed = {**curator, "Idempotency-Key": "once"}
    body = {"due_on": "2027-06-30", "because": "more"}
    service.clock.forward(minutes=1)

    first = service.client.post("/v1/loans/L-08/due", json=body, headers=keyed)
    again = service.client.post("/v1/loans/L-08/due", json=body, headers=keyed)

    assert first.status_code == again.status_code == 200
    assert (again.text, again.headers["Idempotency-Replayed"]) == (first.text, "true")
    assert service.get("/v1/loans/L-08", curator)["version"] == 2


def test_who_may_sign_and_who_may_see(embedded: Running) -> None:
    """Curators and registrars of the lender decide; the borrower reads; to all others it is not there."""
    borrower = embedded.add("head", ("TSI", "responsible"))
    clerk, other = embedded.add("clerk", ("TRP", "clerk")), embedded.add("other", ("MRL", "curator"))
    for headers in (borrower, clerk, other):
        assert embedded.client.post("/v1/loans", json=LOAN, headers=headers).status_code == 403
    embedded.post("/v1/loans", LOAN, embedded.add("reg", ("TRP", "registrar")))

    assert embedded.get("/v1/loans/L-08", borrower)["purpose"] == "noble gas"
    assert embedded.get("/v1/loans", other)["items"] == []
    unknown = embedded.get("/v1/loans/L-99", other, 404)
    hidden = embedded.get("/v1/loans/L-08", other, 404)
    assert hidden["detail"] == unknown["detail"].replace("L-99", "L-08")
    asked = {"due_on": "2027-06-30", "because": "more"}
    assert embedded.client.post("/v1/loans/L-08/due", json=asked, headers=borrower).status_code == 403
    assert embedded.client.post("/v1/loans/L-08/due", json=asked, headers=other).status_code == 404


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"lines": []}, "/lines"),
        ({"lines": ["BRM-0022-C"]}, "/lines/0"),
        ({"term_months": 0, "due_on": None}, "/term_months"),
        ({"term_months": 12}, "/due_on"),
        ({"due_on": "9999-12-31"}, "/due_on"),
        ({"zone": "Mars/Utopia"}, "/zone"),
        ({"returned_when": "some day"}, "/returned_when"),
        ({"signed_at": "2026-03-10"}, "/signed_at"),
        ({"signed_at": "2026-03-11T12:00:00Z"}, "/signed_at"),
        ({"purpose": "a\u0000b"}, "/purpose"),
        ({"lender_code": "TRP"}, "/lender_code"),
    ],
)
def test_malformed(embedded: Running, change: dict[str, Any], pointer: str) -> None:
    """422 with a pointer to the member (RFC 9457, RFC 6901)."""
    answer = embedded.client.post("/v1/loans", json={**LOAN, **change}, headers=embedded.token("cur"))

    assert answer.status_code == 422, answer.text
    assert [fault["pointer"] for fault in answer.json()["errors"]] == [pointer]


def test_pages_go_on(embedded: Running) -> None:
    """A page of one, its Link (RFC 8288), and the one behind it."""
    curator = embedded.token("cur")
    for code in ("L-01", "L-02", "L-03"):
        embedded.post("/v1/loans", {**LOAN, "code": code}, curator)

    first = embedded.client.get("/v1/loans", params={"limit": "2"}, headers=curator)
    rest = embedded.client.get(first.links["next"]["url"], headers=curator)

    codes = [[loan["code"] for loan in page.json()["items"]] for page in (first, rest)]
    assert codes == [["L-01", "L-02"], ["L-03"]]
    assert rest.json()["next"] is None


@pytest.mark.parametrize("router", [api_loans.router, api_shipments.router], ids=["loans", "shipments"])
def test_the_description_is_complete(router: APIRouter) -> None:
    """Every member has words and an example, and each example fits its own schema (JSON Schema 2020-12)."""
    app = FastAPI(title="part", version="0")
    app.include_router(router)
    openapi.install(app)
    described = app.openapi()

    assert every_example_fits(described) >= 10
    assert every_member_is_explained(described) > 30
