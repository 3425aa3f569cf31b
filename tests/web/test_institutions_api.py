"""Institutions that were merged: dated, told late, reversible; who answers then, who sees it, and how each is found.

The case is rule 80 of the trade's list: old facts keep the old name, duties flow to the successor from the date, a
search finds both, and a merge can be wrong and must be reversible. Figures are those of the invented scenario.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from tests.web.documents import new_id
from tests.web.service import Running, running

NUMBER = "BRM-0022-B"
MERGED = "2026-07-01T04:00:00Z"  # midnight in Toronto
TOLD = datetime(2026, 7, 20, 10, 0, tzinfo=UTC)
BEFORE, AFTER = "2026-06-30T12:00:00Z", "2026-07-02T12:00:00Z"
LATE = {"successor": "LSU", "from_at": MERGED, "because": "Merged by both councils"}


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """LSC borrows a sample and has it; SKI has nothing; LSU is there. Once on each database."""
    with running(database_url) as found:
        yield lent(found)


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Running]:
    """The same on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url) as found:
        yield lent(found)


def lent(service: Running) -> Running:
    """L-05 went out on 2026-03-10 and is due on 2026-04-30; a box is on its way to LSC."""
    for code in ("LSC", "SKI", "LSU", "CVH"):
        service.institution(code, zone="America/Toronto")
    curator = service.add("cur", ("TRP", "curator"))
    old = service.add("old", ("LSC", "receiver"))
    service.add("new", ("LSU", "receiver"))
    service.add("other", ("CVH", "receiver"))
    service.add("keeper", ("LSC", "registrar"))
    tell(service, curator, "registered", NUMBER, "TRP", item="sample", mass="250.31 mg")
    tell(service, curator, "registered", "BRM-0017-5", "TRP", item="sample", mass="250.31 mg")
    terms = {"lender": "TRP", "borrower": "LSC", "responsible": "p15", "due_on": "2026-04-30"}
    service.post("/v1/loans", {"code": "L-05", "lines": [NUMBER], **terms}, curator)
    tell(service, curator, "released", NUMBER, "TRP", to="LSC")
    tell(service, old, "accepted", NUMBER, "LSC", from_="TRP")
    box = {"consignor": "TRP", "addressee": "LSC", "carrier": "TRP", "contents": ["BRM-0017-5"]}
    service.post("/v1/shipments", {"code": "T-05", **box}, curator)
    return service


def tell(service: Running, headers: dict[str, str], kind: str, subject: str, acting_for: str, **body: Any) -> None:
    """A fact that happens a minute later."""
    service.clock.forward(minutes=1)
    fact: dict[str, Any] = {"id": new_id(), "kind": kind, "subjects": [subject], "acting_for": acting_for}
    fact |= {"time": {"raw": service.clock.at.isoformat()}, "body": {k.rstrip("_"): v for k, v in body.items()}}
    service.post("/v1/events", {"fact": fact}, headers)


def merge(service: Running, code: str = "LSC", status: int = 201, **body: Any) -> dict[str, Any]:
    """A merge or its reversal, told by the administrator a day later than the last one, or on the first such day."""
    service.clock.at = max(TOLD, service.clock.forward(days=1))
    return service.post(f"/v1/institutions/{code}/successor", LATE | body, service.token("first"), status)


def answers(service: Running, **moments: str) -> tuple[Any, ...]:
    """Who signed and who answers, by the overdue lines, the loan and the item, as the lender asks."""
    curator = service.token("cur")
    (line,) = service.get("/v1/reports/overdue", curator, 200, **moments)["items"]
    loan = service.get("/v1/loans/L-05", curator, 200, **moments)
    held = service.get(f"/v1/items/{NUMBER}", curator, 200, **moments)["loan"]
    assert line["borrower"] == loan["borrower"] == held["borrower"] == "LSC"
    assert line["owed_by"] == loan["owed_by"] == held["owed_by"]
    return line["certain"], line["owed_by"]


def test_duties_flow_to_the_successor_from_the_date(service: Running) -> None:
    """From the date on the successor answers; as of before it, or as known before it was told, the old one does."""
    made = merge(service)

    assert (made["from_at"], made["recorded_at"]) == (MERGED, "2026-07-20T10:00:00Z")
    assert answers(service) == ("LSC", "LSU")
    assert answers(service, as_of=AFTER) == ("LSC", "LSU")
    assert answers(service, as_of=BEFORE) == ("LSC", "LSC")
    assert answers(service, as_of=AFTER, known_on="2026-07-20T09:00:00Z") == ("LSC", "LSC")


def test_asking_for_the_successor_finds_what_it_took_over(service: Running) -> None:
    """Outstanding loans, holdings and loans of the successor are also those of both institutions before it."""
    curator = service.token("cur")
    merge(service)
    merge(service, "SKI")
    curator = service.token("cur")

    for path in ("outstanding-loans", "overdue"):
        (line,) = service.get(f"/v1/reports/{path}", curator, borrower="LSU")["items"]
        assert (line["borrower"], line["owed_by"]) == ("LSC", "LSU")
        assert service.get(f"/v1/reports/{path}", curator, borrower="LSU", as_of=BEFORE)["items"] == []
    (held,) = service.get("/v1/reports/holdings", curator, institution="LSU")["items"]
    assert (held["holder"], held["answers"], held["borrower"], held["owed_by"]) == ("LSC", "LSU", "LSC", "LSU")
    (held,) = service.get("/v1/reports/holdings", curator, institution="LSC")["items"]
    assert (held["holder"], held["answers"]) == ("LSC", "LSU")
    assert [loan["code"] for loan in service.get("/v1/loans", curator, borrower="LSU")["items"]] == ["L-05"]
    assert service.get("/v1/loans", curator, borrower="LSU", as_of=BEFORE)["items"] == []
    assert service.get("/v1/institutions/LSU", curator)["predecessors"] == ["LSC", "SKI"]


def test_people_of_the_successor_see_and_act_for_what_came_over(service: Running) -> None:
    """They see the item, what they owe and what is coming, and give it back for the old name; nobody else does."""
    service.get(f"/v1/items/{NUMBER}", service.token("new"), 404)
    merge(service)
    new, other = service.token("new"), service.token("other")

    assert service.get(f"/v1/items/{NUMBER}", new)["custody"]["certain"] == "LSC"
    assert [one["item"] for one in service.get("/v1/reports/overdue", new)["items"]] == [NUMBER]
    (coming,) = service.get("/v1/arriving", new, institution="LSU")["items"]
    assert (coming["addressee"], coming["answers"]) == ("LSC", "LSU")
    assert [one["code"] for one in service.get("/v1/me", new)["institutions"]] == ["LSC", "LSU"]
    service.get(f"/v1/items/{NUMBER}", other, 404)
    assert service.get("/v1/reports/overdue", other)["items"] == []

    tell(service, new, "released", NUMBER, "LSC", to="TRP")
    tell(service, service.token("cur"), "accepted", NUMBER, "TRP", from_="LSC")
    assert service.get("/v1/loans/L-05", service.token("new"))["lines"][0]["state"] == "returned"


def test_a_wrong_merge_is_reversed_and_stays_in_the_record(service: Running) -> None:
    """The reversal holds from where the merge began; what was known between the two is still answered."""
    merge(service)
    merge(service, successor=None, from_at=None, because="It was another college")

    assert answers(service, as_of=AFTER) == ("LSC", "LSC")
    assert answers(service, as_of=AFTER, known_on="2026-07-20T12:00:00Z") == ("LSC", "LSU")
    service.get(f"/v1/items/{NUMBER}", service.token("new"), 404)
    told = service.get("/v1/institutions/LSC/successions", service.token("new"))["items"]
    assert [(one["successor"], one["from_at"]) for one in told] == [("LSU", MERGED), (None, MERGED)]


def test_a_merge_told_late_is_told_late(service: Running) -> None:
    """Nineteen days and six hours passed (1 663 200 s); a merge is among what the report of late words names."""
    merge(service)

    (late,) = service.get("/v1/reports/told-late", service.token("first"))["items"]
    assert (late["kind"], late["about"], late["late_s"]) == ("successor_told", ["LSC by LSU"], 1_663_200)


@pytest.mark.parametrize(
    ("code", "body", "status", "problem"),
    [
        ("LSC", {"successor": "LSC"}, 422, "malformed"),
        ("LSC", {"successor": "XYZ"}, 404, "not_found"),
        ("XYZ", {}, 404, "not_found"),
        ("LSU", {"successor": "LSC"}, 409, "rule_forbids"),
        ("LSU", {"successor": "LSC", "from_at": "2026-01-01T00:00:00Z"}, 409, "rule_forbids"),
        ("SKI", {"successor": None}, 409, "rule_forbids"),
    ],
)
def test_what_makes_no_sense_is_refused(
    embedded: Running, code: str, body: dict[str, Any], status: int, problem: str
) -> None:
    """Into itself, into nothing, round in a circle (also one that closes only later), or back from nowhere."""
    merge(embedded)

    refused = merge(embedded, code, status, **body)

    assert refused["code"] == problem


def test_only_its_own_keepers_give_an_institution_away(embedded: Running) -> None:
    """Whoever could merge another's institution into their own would see what it holds."""
    embedded.clock.at = TOLD
    for login in ("cur", "new", "old"):
        embedded.post("/v1/institutions/LSC/successor", LATE, embedded.token(login), 403)
    embedded.post("/v1/institutions/LSC/successor", LATE, embedded.token("keeper"))


def test_every_name_finds_it_and_says_why(service: Running) -> None:
    """By a code, a present or former name, or that of a predecessor or successor."""
    merge(service)
    first = service.token("first")
    renamed = {"name": "Lisgarth-Skelverby University", "kind": "borrower", "zone": "America/Toronto"}
    change = {**renamed, "because": "Renamed"}
    answer = service.client.put("/v1/institutions/LSU", json=change, headers={**first, "If-Match": '"v1"'})
    assert (answer.status_code, answer.json()["predecessors"]) == (200, ["LSC"])

    def found(q: str, **moments: str) -> dict[str, list[tuple[str, str]]]:
        rows = service.get("/v1/institutions", first, 200, q=q, **moments)["items"]
        return {row["code"]: [(one["which"], one["words"]) for one in row["found_by"]] for row in rows}

    assert found("skelverby") == {
        "LSC": [("successor", "LSU")],
        "LSU": [("name", "Lisgarth-Skelverby University")],
    }
    assert found("institute lsu")["LSU"] == [("former_name", "Institute LSU")]
    assert found("lsc") == {
        "LSC": [("code", "LSC"), ("name", "Institute LSC")],
        "LSU": [("predecessor", "LSC")],
    }
    assert found("lsc", as_of=BEFORE).keys() == {"LSC"}
    assert found("nowhere") == {}
