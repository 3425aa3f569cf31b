"""The exports over HTTP, read back with the standard library and held against the lists and facts of the API."""

import csv
import io
import json
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient

from shipsvc.web import exports
from tests.web.collection import Collection, collection, session_id, typed
from tests.web.service import START

Json = dict[str, Any]
NOUNS = ("items", "loans", "facts")
MOMENTS = ("as_of", "known_on", "provisional")


@pytest.fixture
def there(database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Collection]:
    """Five samples of TRP, two of them lent to SMP; pages are short, so that every export has several."""
    monkeypatch.setattr(exports, "PAGE", 2)
    monkeypatch.setattr(exports, "LOAN_PAGE", 1)
    with collection(database_url) as found:
        for serial in range(1, 6):
            what = "=1+1" if serial == 1 else f"chip {serial}"
            registered: Json = {"item": "sample", "what": what, "mass": "5 mg"}
            found.tell("cur", "TRP", "registered", f"BRM-000{serial}", "2026-03-11T10:00:00Z", **registered)
        for code, name in (("L-01", "BRM-0001"), ("L-02", "BRM-0002")):
            terms = {"lender": "TRP", "borrower": "SMP", "responsible": "ana", "purpose": "-noble gas"}
            found.post("cur", "loans", {"code": code, "lines": [typed(name)], **terms})
            found.tell("cur", "TRP", "released", name, "2026-03-12T10:00:00Z", to="SMP")
        found.tell("ana", "SMP", "accepted", "BRM-0001", "2026-03-13T10:00:00Z", from_="TRP")
        yield found


def text(there: Collection, who: str, path: str, accept: str = "*/*", **asked: str) -> str:
    """An export as it is sent."""
    head = {**there.head(who), "Accept": accept}
    answer = there.running.client.get(f"/v1/export/{path}", params=asked, headers=head)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Disposition"].startswith(f'attachment; filename="{path}-2')
    return answer.text


def lines(there: Collection, who: str, path: str, **asked: str) -> list[Json]:
    """The rows of an export as JSON Lines."""
    return [json.loads(line) for line in text(there, who, path, **asked).splitlines()]


def test_items_are_those_of_the_list(there: Collection) -> None:
    """For owner, borrower, auditor and stranger the file holds what the list shows them, with the same words."""
    for who, count in (("cur", 5), ("ana", 2), ("aud", 5), ("stranger", 0)):
        listed = there.get(who, "items", limit="200")["items"]
        found = lines(there, who, "items")
        assert [{k: v for k, v in row.items() if k not in MOMENTS} for row in found] == listed
        assert len(found) == count


def test_loans_are_those_of_the_list(there: Collection) -> None:
    """One row a line, with the words of the list, for the two sides alone."""
    for who, count in (("cur", 2), ("ana", 2), ("aud", 2), ("stranger", 0)):
        listed = {loan["code"]: loan["lines"] for loan in there.get(who, "loans")["items"]}
        found = lines(there, who, "loans")
        assert len(found) == count
        for row in found:
            (line,) = listed[row["loan"]]
            assert {name: row[name] for name in line} == line


def test_facts_are_those_that_can_be_read(there: Collection) -> None:
    """Each fact in the file reads the same at its own address, and none that can be read is missing."""
    everything = {row["id"] for row in lines(there, "aud", "facts")}
    assert len(everything) == 10  # five registrations, two signatures, two releases, one acceptance
    for who in ("cur", "ana", "stranger"):
        found = {row["id"]: row for row in lines(there, who, "facts")}
        for event_id in everything:
            answer = there.running.client.get(f"/v1/events/{event_id}", headers=dict(there.head(who)))
            assert (answer.status_code == 200) == (event_id in found), (who, event_id)
            if event_id in found:
                shown, row = answer.json(), found[event_id]
                common = ("kind", "subjects", "body", "acting_for", "recorded_at", "by", "amends")
                assert [shown[name] for name in common] == [row[name] for name in common]


def test_an_amendment_is_a_row_of_its_own(there: Collection) -> None:
    """It names what it amends, and says to each reader what it says at its own address."""
    (first,) = [
        r for r in lines(there, "cur", "facts") if r["kind"] == "registered" and r["subjects"] == ["BRM-0001-L"]
    ]
    now = "2026-03-14T10:00:00Z"
    there.tell("cur", "TRP", "weighed", "BRM-0001", first["happened_at"], now, amends=first["id"], mass="6 mg")

    for who in ("cur", "ana"):
        found = lines(there, who, "facts")
        (row,) = [row for row in found if row["amends"] == first["id"]]
        answer = there.get(who, f"events/{row['id']}")
        assert (row["kind"], row["body"]) == ("amended", answer["body"])
        assert len(found) == len(lines(there, who, "facts", known_on="2026-03-13T23:00:00Z")) + 1


def test_a_file_tells_of_its_moments(there: Collection) -> None:
    """Before anything was recorded there is nothing, before the releases nothing is out; both stand in each row."""
    assert lines(there, "cur", "facts", known_on="2026-03-10T12:00:00Z") == []
    # The signatures are told as of when they were recorded; the releases came a day later.
    by_then = lines(there, "cur", "facts", as_of="2026-03-11T10:00:00Z", known_on="2026-03-13T12:00:00Z")
    assert {row["kind"] for row in by_then} == {"registered", "loan_signed"}
    found = lines(there, "cur", "items", as_of="2026-03-11T12:00:00Z")
    assert {row["certain"] for row in found} == {"TRP"}
    assert {row["as_of"] for row in found} == {"2026-03-11T12:00:00Z"}


def test_csv_has_the_same_rows_and_no_formula(there: Collection) -> None:
    """RFC 4180 read by the csv module; cells that begin like a formula are text (OWASP, CSV Injection)."""
    for noun in NOUNS:
        rows = list(csv.DictReader(io.StringIO(text(there, "cur", noun, "text/csv"), newline="")))
        plain = lines(there, "cur", noun)
        assert len(rows) == len(plain) > 0
        assert [list(row) for row in rows] == [list(row) for row in plain]
        for row in rows:
            assert not [c for c in row.values() if c.startswith(("=", "+", "-", "@")) and not c[1:2].isdigit()]
    assert "'=1+1" in text(there, "cur", "items", "text/csv")
    assert "'-noble gas" in text(there, "cur", "loans", "text/csv")
    assert '"=1+1"' in text(there, "cur", "items")


def test_accept_chooses_the_form(there: Collection) -> None:
    """JSON Lines unless CSV is liked better (RFC 9110 section 12.5.1); Vary says so."""
    for accept, begins in (("text/csv", "number,"), ("application/jsonl, text/csv;q=0.5", "{"), ("*/*", "{")):
        assert text(there, "cur", "items", accept).startswith(begins)
    answer = there.running.client.get("/v1/export/items", headers=dict(there.head("cur")))
    assert (answer.headers["Content-Type"], answer.headers["Vary"]) == ("application/jsonl", "Accept")


def test_own_data(there: Collection) -> None:
    """Profile, roles with dates, sign-ins, and what one told oneself; nothing that others told; one JSON text."""
    for who, told in (("cur", 9), ("ana", 1), ("stranger", 0)):
        found = there.get(who, "me/export")
        assert (found["person"], found["name"]) == (there.running.people[who], who)
        assert len(found["facts"]) == told
        assert {fact["by"] for fact in found["facts"]} <= {found["person"]}
        assert found["login"] == who
        ((session, role),) = zip(found["sessions"], found["roles"], strict=True)
        assert (session["session"], session["is_this_one"], session["ended_at"]) == (session_id(who), True, None)
        assert (role["change"], role["from_at"]) == ("grant", START.isoformat().replace("+00:00", "Z"))


def test_exports_need_a_sign_in(there: Collection) -> None:
    """401 before anything is sent."""
    client: TestClient = there.running.client
    for path in (*(f"export/{noun}" for noun in NOUNS), "me/export"):
        assert client.get(f"/v1/{path}").status_code == 401
