"""The reports over HTTP: JSON by pages, CSV as one file; both databases where SQL is at stake."""

import csv
import io
import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator
from pydantic import BaseModel

from shipsvc.domain import codes
from shipsvc.web import csv_answers
from tests.crowd import NOW, fill
from tests.web.service import START, Running, running

REPORTS = (
    "outstanding-loans",
    "overdue",
    "holdings",
    "open-handovers",
    "silent-shipments",
    "time-out",
    "mass-discrepancies",
    "told-late",
    "unconfirmed",
    "one-device",
)
CSV = {"Accept": "text/csv"}


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


@pytest.fixture
def crowded(embedded: Running) -> Running:
    """Two thousand items with a history, and somebody at TRP who may ask."""
    fill(embedded.service.database, 2)
    embedded.clock.at = NOW
    return embedded


def asked(report: str) -> dict[str, Any]:
    """What must be said to get the report at all."""
    return {"institution": "TRP"} if report == "holdings" else {}


def tell(
    service: Running, who: dict[str, str], acting_for: str, kind: str, items: Sequence[str], raw: str, **body: Any
) -> str:
    """One fact, through the one door; its id."""
    fact_id = str(uuid.uuid4())
    time = {"raw": raw, "source": "typed"}
    fact = {"id": fact_id, "kind": kind, "subjects": list(items), "time": time, "acting_for": acting_for, "body": body}
    service.post("/v1/events", {"fact": fact}, who)
    return fact_id


def collection(service: Running) -> tuple[dict[str, str], dict[str, str]]:
    """A collection of TRP and a curator there; a borrower and an analyst there."""
    curator = service.add("cur", ("TRP", "curator"))
    body = {"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM", "name": "Braithmoss", "zone": "Europe/London"}
    service.post("/v1/collections", {**body, "because": "First"}, curator)
    service.institution("TSI")
    service.institution("SMP")
    return curator, service.add("ana", ("TSI", "analyst"))


def lent(service: Running, what: str = "chip") -> tuple[dict[str, str], dict[str, str], str]:
    """A sample in the hands of TSI, weighed there with a slip; the curator, the analyst, and its number."""
    curator, analyst = collection(service)
    item = codes.display("BRM0010")
    tell(service, curator, "TRP", "registered", [item], "2026-03-01T10:00:00Z", item="sample", what=what, mass="5 mg")
    tell(service, curator, "TRP", "released", [item], "2026-03-02T10:00:00Z", to="TSI")
    tell(service, analyst, "TSI", "accepted", [item], "2026-03-03T10:00:00Z", **{"from": "TRP"})
    tell(service, analyst, "TSI", "weighed", [item], "2026-03-03T11:00:00Z", mass="50 mg")
    return curator, analyst, item


def test_every_report_says_what_it_is_about(service: Running) -> None:
    """as_of, known_on and provisional on each, and no rows in an empty service."""
    curator = service.add("cur", ("TRP", "curator"))
    now = START.isoformat().replace("+00:00", "Z")
    moments: dict[str, Any] = {"as_of": "2025-01-02T00:00:00+01:00", "known_on": "2025-01-03T00:00:00Z"}

    for report in REPORTS:
        found = service.get(f"/v1/reports/{report}", curator, **asked(report))
        assert found == {"as_of": now, "known_on": now, "provisional": True, "next": None, "items": []}
        found = service.get(f"/v1/reports/{report}", curator, **moments, **asked(report))
        assert (found["as_of"], found["known_on"]) == ("2025-01-01T23:00:00Z", "2025-01-03T00:00:00Z")
        assert found["provisional"] is False


def test_reports_need_a_sign_in(embedded: Running) -> None:
    """401 with how to sign in (RFC 9110 section 11.6.1), for CSV as well, before anything is sent."""
    for report in REPORTS:
        answer = embedded.client.get(f"/v1/reports/{report}", params=asked(report), headers=CSV)
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")
        assert answer.headers["Content-Type"] == "application/problem+json"


def test_a_report_is_scoped_to_who_asks(service: Running) -> None:
    """Owner, holder and auditor see the sample; a third institution sees nothing, in JSON as in CSV."""
    curator, analyst, item = lent(service)
    auditor, stranger = service.add("aud", ("TRP", "auditor")), service.add("str", ("SMP", "analyst"))

    for who, seen in ((curator, [item]), (analyst, [item]), (auditor, [item]), (stranger, [])):
        found = service.get("/v1/reports/holdings", who, institution="TSI")
        assert [row["item"] for row in found["items"]] == seen
        text = service.client.get("/v1/reports/holdings", params={"institution": "TSI"}, headers={**who, **CSV}).text
        assert [row["item"] for row in csv.DictReader(io.StringIO(text))] == seen
        found = service.get("/v1/reports/mass-discrepancies", who)
        assert [(row["item"], row["difference_mg"], row["r"]) for row in found["items"]] == [
            (i, "45", None) for i in seen
        ]


def test_answers_have_the_shape_that_is_described(service: Running) -> None:
    """Rows of the reports that have any, against the OpenAPI description, by an independent JSON Schema validator."""
    curator, analyst, item = lent(service)
    tell(service, analyst, "TSI", "released", [item], "2026-03-08T10:00:00Z", to="TRP")
    described = service.client.get("/openapi.json").json()

    rows = 0
    for report in REPORTS:
        found = service.get(f"/v1/reports/{report}", curator, **asked(report))
        shape = described["paths"][f"/v1/reports/{report}"]["get"]["responses"]["200"]["content"]
        assert set(shape) == {"application/json", "text/csv"}
        schema = {**shape["application/json"]["schema"], "components": described["components"]}
        assert list(Draft202012Validator(schema).iter_errors(found)) == []
        rows += len(found["items"])
    assert rows >= 4


def test_pages_are_linked_and_the_limit_is_500(crowded: Running) -> None:
    """Link rel=next (RFC 8288) leads through all rows once; 501 is refused; a cursor of another report as well."""
    who = crowded.token("first")
    page = crowded.get("/v1/reports/outstanding-loans", who, limit="500")
    first = crowded.client.get("/v1/reports/outstanding-loans?limit=250", headers=who)
    assert first.headers["Link"] == f'<{first.links["next"]["url"]}>; rel="next"'
    assert first.headers["Vary"] == "Accept"
    second = crowded.client.get(first.links["next"]["url"], headers=who)
    assert [*first.json()["items"], *second.json()["items"]] == page["items"]
    assert len(page["items"]) == 500

    refused = crowded.client.get("/v1/reports/outstanding-loans?limit=501", headers=who)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/limit")
    cursor = first.json()["next"]
    assert crowded.client.get(f"/v1/reports/overdue?cursor={cursor}", headers=who).status_code == 422


def test_csv_has_all_rows_whatever_the_limit(crowded: Running) -> None:
    """The same rows as page after page of JSON, in the same order, more of them than one page holds."""
    who = crowded.token("first")
    for report in ("outstanding-loans", "overdue", "holdings", "time-out"):
        expected = all_pages(crowded, report, who)
        wanted = {"limit": "1", **asked(report)}
        answer = crowded.client.get(f"/v1/reports/{report}", params=wanted, headers={**who, **CSV})
        assert answer.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"
        assert answer.headers["Content-Disposition"] == f'attachment; filename="{report}-20261125T120000Z.csv"'
        rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
        assert [row["item"] for row in rows] == [row["item"] for row in expected]
        assert len(rows) > (0 if report == "overdue" else 500)
        assert list(rows[0]) == [*expected[0], "as_of", "known_on", "provisional"]
        assert rows[0]["as_of"] == rows[-1]["known_on"] == "2026-11-25T12:00:00Z"


def all_pages(service: Running, report: str, who: dict[str, str]) -> list[dict[str, Any]]:
    """The rows of all pages of JSON."""
    found: list[dict[str, Any]] = []
    url: str | None = f"/v1/reports/{report}?limit=500" + ("&institution=TRP" if report == "holdings" else "")
    while url:
        answer = service.client.get(url, headers=who)
        found += answer.json()["items"]
        url = answer.links.get("next", {}).get("url")
    return found


def test_what_people_wrote_is_no_formula_in_a_spreadsheet(service: Running) -> None:
    """OWASP, CSV Injection: a description that begins like a formula comes with an apostrophe; quotes are doubled."""
    wicked = '=HYPERLINK("http://example.org","see")'
    curator, _, item = lent(service, what=wicked)

    assert service.get("/v1/reports/holdings", curator, institution="TSI")["items"][0]["what"] == wicked
    answer = service.client.get("/v1/reports/holdings?institution=TSI", headers={**curator, **CSV})
    assert answer.text.splitlines()[1].startswith(f'{item},"\'=HYPERLINK(""http://example.org"",""see"")",sample,')


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+1+1", "'+1+1"),
        ("-1+1", "'-1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("＝1+1", "'＝1+1"),
        ("-461.26", "-461.26"),
        (-0.5, "-0.5"),
        (-3, "-3"),
        ("chip", "chip"),
        (None, ""),
        (["=A1", "B2"], "'=A1 B2"),
        ([], ""),
        ("1e9", "1e9"),
    ],
)
def test_cells_are_harmless(value: object, cell: str) -> None:
    """The characters that OWASP names, tab and wide forms included; plain negative numbers stay numbers."""
    assert csv_answers.harmless(value) == cell


@pytest.mark.parametrize(
    ("accept", "is_csv"),
    [
        (None, False),
        ("*/*", False),
        ("application/json", False),
        ("text/csv", True),
        ("TEXT/CSV", True),
        ("text/*", True),
        ("text/csv;q=0.5, application/json", False),
        ("application/json;q=0.5, text/csv", True),
        ("text/csv;q=0, */*", False),
        ("text/html, */*;q=0.8", False),
        ("text/csv; header=present, */*;q=0.1", True),
        ("text/csv;q=nonsense", False),
    ],
)
def test_accept_decides(accept: str | None, is_csv: bool) -> None:
    """RFC 9110 section 12.5.1: the more specific range counts, then its weight; in doubt JSON."""
    assert csv_answers.is_asked(accept) is is_csv


class Pair(BaseModel):
    """A row for the test below."""

    name: str
    at: datetime
    parts: list[str] = []


def test_csv_is_written_page_by_page() -> None:
    """RFC 4180 section 2: CRLF after each record, a header, commas and quotes quoted; no page is read ahead."""
    taken: list[int] = []

    def pages() -> Iterator[Sequence[BaseModel]]:
        for number in range(3):
            taken.append(number)
            yield [Pair(name=f'a,"{number}"\r\nb', at=datetime(2026, 1, 2, tzinfo=UTC), parts=["x", "y"])]

    said = {"as_of": "2026-01-02T00:00:00Z"}
    pieces = csv_answers.lines(["name", "at", "parts"], said, pages())

    assert next(pieces) == "name,at,parts,as_of\r\n"
    assert taken == []
    assert next(pieces) == '"a,""0""\r\nb",2026-01-02T00:00:00Z,x y,2026-01-02T00:00:00Z\r\n'
    assert taken == [0]
    assert len(list(pieces)) == 2


def test_one_sided_stretches_over_http(service: Running) -> None:
    """Its stretches and their sum; from and to are moments; a stranger and a wrong number get what they should."""
    curator, analyst, item = lent(service)
    stranger = service.add("str", ("SMP", "analyst"))

    found = service.get(f"/v1/items/{item}/one-sided", analyst)
    assert (found["item"], found["total_s"]) == (item, 86_400)
    (stretch,) = found["stretches"]
    assert (stretch["since"], stretch["until"]) == ("2026-03-02T10:00:00Z", "2026-03-03T10:00:00Z")
    assert (stretch["certain"], stretch["claimed"]) == ("TRP", "TSI")
    cut: dict[str, Any] = {"from": "2026-03-02T12:00:00Z", "to": "2026-03-02T13:00:00Z"}
    assert service.get(f"/v1/items/{item}/one-sided", curator, **cut)["total_s"] == 3600
    assert service.get(f"/v1/items/{item}/one-sided", stranger, 404)["code"] == "not_found"
    assert service.get(f"/v1/items/{codes.display('BRM0099')}/one-sided", stranger, 404)["code"] == "not_found"
    assert service.get("/v1/items/BRM-0010-X/one-sided", curator, 422)["code"] == "wrong_check_character"


def test_a_holding_says_nothing_that_was_not_asked_for(embedded: Running) -> None:
    """The institution must be named; an unknown verdict is refused with the known ones."""
    curator = embedded.add("cur", ("TRP", "curator"))

    assert embedded.get("/v1/reports/holdings", curator, 422)["errors"][0]["pointer"] == "/institution"
    refused = embedded.get("/v1/reports/mass-discrepancies", curator, 422, verdict="fine")
    assert "unexplained_loss" in refused["detail"]
