"""What is out on loan, sorted and grouped; what one holds, ticked off; and decisions on a loan by form.

Sources: trade.md 4, questions 11 and 25 (who owes us, and how late; what do we hold, and when is it due), 1.2 (group
head: one-click yearly confirmation); rulings 20 for days.
"""

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.databases import copied
from tests.web.collection import Collection, collection
from tests.web.forms import filled, sent
from tests.web.visits import HTML, check, cookie, opened

#: On the day asked about: the loans with their borrowers, and due days that are over, near, and far.
LOANS = {"L-1": ("SMP", "2026-05-01"), "L-2": ("MRL", "2026-07-15"), "L-3": ("SMP", "2027-03-01")}
TODAY = "2026-06-01T12:00:00Z"


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """Three samples of two collections, each on a loan of its own, on 1 June 2026."""
    path = tmp_path_factory.mktemp("pages") / "out.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        fen = {"owner": "TRP", "prefix": "FEN", "name": "Fenholt", "zone": "Europe/London"}
        found.post("cur", "collections", {"code": "FENHOLT", **fen, "because": "First"})
        for (code, (borrower, due_on)), prefix in zip(LOANS.items(), ("BRM", "FEN", "BRM"), strict=True):
            lend(found, code, borrower, due_on, prefix)
        found.at(TODAY)
        found.running.client.follow_redirects = False
        yield found


def lend(world: Collection, code: str, borrower: str, due_on: str, prefix: str) -> None:
    """A sample on a loan, handed over."""
    at = "2026-03-10T12:00:00Z"
    issued = world.issue(kind="sample", form="material", what="chip", prefix=prefix, happened_at=at)
    number = issued["items"][0]["number"]
    terms = {"lender": "TRP", "borrower": borrower, "responsible": "Dr. A. Analyst", "purpose": "noble gases"}
    terms |= {"signed_at": at}
    world.post("cur", "loans", {"code": code, "lines": [number], "due_on": due_on, **terms})
    name = number[:-2]
    world.tell("cur", "TRP", "released", name, "2026-03-14T00:09:00Z", to=borrower)
    who = {"SMP": "ana", "MRL": "stranger"}[borrower]
    world.tell(who, borrower, "accepted", name, "2026-03-14T00:10:00Z", from_="TRP")


def loans_of(page: str) -> list[str]:
    """The loans in the table, as they stand one below the other."""
    return re.findall(r'<td data-heading="Loan"><a [^>]*>([^<]+)<', page)


@pytest.mark.parametrize(
    ("wish", "loans"),
    [
        ("", ["L-1", "L-2", "L-3"]),
        ("?order=borrower", ["L-2", "L-1", "L-3"]),
        ("?order=item", ["L-1", "L-3", "L-2"]),
        ("?due=overdue", ["L-1"]),
        ("?due=soon", ["L-2"]),
        ("?due=later", ["L-3"]),
        ("?due=open", []),
        ("?borrower=SMP", ["L-1", "L-3"]),
        ("?lender=MRL", []),
        ("?collection=FENHOLT", ["L-2"]),
        ("?group=collection", ["L-1", "L-3", "L-2"]),
        ("?group=borrower&order=due", ["L-2", "L-1", "L-3"]),
        ("?as_of=2026-03-01", []),
    ],
)
def test_lines_as_they_are_wished_for(world: Collection, wish: str, loans: list[str]) -> None:
    """Narrowed, sorted and grouped; as of an earlier day too; the file has the same lines in the same order."""
    page = check(world.running, "cur", f"/loans/out{wish}")
    assert loans_of(page) == loans
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world.running, 'cur')}"}
    answer = world.running.client.get(f"/loans/out/file.csv{wish}", headers=headers)
    assert answer.headers["content-type"].startswith("text/csv")
    assert [row["loan"] for row in csv.DictReader(io.StringIO(answer.text))] == loans


def test_groups_have_their_names(world: Collection) -> None:
    """Due: what is worst first."""
    page = opened(world.running, "cur", "/loans/out?group=due")
    heads = re.findall(r"<h2>([^<]+)</h2>", page)
    assert heads == ["Overdue", "Due within 60 days", "Due later"]


def test_pages_and_the_limit(world: Collection, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond a page the link leads on in the same order; beyond what is read, the page says so."""
    from shipsvc.app import loans_out as read
    from shipsvc.web.pages import loans_out

    monkeypatch.setattr(loans_out, "ROWS", 2)
    first = opened(world.running, "cur", "/loans/out?order=borrower")
    assert loans_of(first) == ["L-2", "L-1"]
    following = re.search(r'rel="next" href="([^"]+)"', first)
    assert following
    assert loans_of(opened(world.running, "cur", "/loans/out" + following[1].replace("&amp;", "&"))) == ["L-3"]
    monkeypatch.setattr(read, "LINES_MAX", 2)
    assert "more than" in opened(world.running, "cur", "/loans/out")


def test_others_see_their_own(world: Collection) -> None:
    """The borrower its two; whoever has nothing to do with it, nothing."""
    assert loans_of(check(world.running, "ana", "/loans/out")) == ["L-1", "L-3"]
    assert "Nothing is out on loan that fits" in check(world.running, "driver", "/loans/out")


def test_what_we_hold_is_ticked_off(world: Collection) -> None:
    """What is due first on top, with what is late; one form tells of all that was seen, once."""
    page = check(world.running, "ana", "/holdings")
    assert loans_of(page) == ["L-1", "L-3"]
    assert page.count("<strong>late</strong>") == 1
    boxes = re.findall(r'name="(saw [^"]+)"', page)
    form = filled(world, "ana", "/holdings", **dict.fromkeys(boxes, "yes"))
    for _ in range(2):
        answer = sent(world, "ana", "/holdings?institution=SMP", form)
        assert answer.headers["location"] == "/holdings?institution=SMP&seen=2"
    for box in boxes:
        facts = world.get("ana", f"items/{box.removeprefix('saw ')}/history", limit="200")["items"]
        assert [fact["kind"] for fact in facts].count("seen") == 1
    assert "Recorded: 2 seen." in opened(world.running, "ana", answer.headers["location"])
    assert sent(world, "ana", "/holdings?institution=SMP", filled(world, "ana", "/holdings")).status_code == 422


def test_who_only_reads_ticks_nothing(world: Collection) -> None:
    """An auditor, and whoever asks about another moment."""
    assert "I have seen what is ticked" not in check(world.running, "aud", "/holdings?institution=SMP")
    assert "I have seen what is ticked" not in opened(world.running, "ana", "/holdings?as_of=2026-05-01")


def test_a_loan_is_extended_recalled_and_closed(world: Collection) -> None:
    """By its lender's curator, each with a reason; uncovered days stay, and an open line keeps it from closing."""
    lend(world, "L-4", "SMP", "2026-05-01", "BRM")
    form = filled(world, "cur", "/loans/L-4", because="They asked")
    assert sent(world, "cur", "/loans/L-4", {**form, "act": "extend"}).status_code == 422
    extended = {**form, "due_on": "2026-09-30", "act": "extend"}
    assert sent(world, "cur", "/loans/L-4", extended).status_code == 303
    (line,) = world.get("cur", "loans/L-4")["lines"]
    assert (line["due_on"], line["uncovered_days"]) == ("2026-09-30", 31)  # 1 May to 1 June
    recalled = {**filled(world, "cur", "/loans/L-4"), "because": "Leak", "due_on": "2026-07-01", "act": "recall"}
    assert sent(world, "cur", "/loans/L-4", recalled).status_code == 303
    assert world.get("cur", "loans/L-4")["due_on"] == "2026-07-01"
    closed = {**filled(world, "cur", "/loans/L-4"), "because": "Done", "act": "close"}
    assert sent(world, "cur", "/loans/L-4", closed).status_code == 409
    assert "Grant that day" not in check(world.running, "ana", "/loans/L-4")
    assert sent(world, "ana", "/loans/L-4", {**closed, "act": "recall", "due_on": "2026-07-02"}).status_code == 403
