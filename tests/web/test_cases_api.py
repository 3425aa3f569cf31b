"""Cases over HTTP: trade steps 29 and 31, section 5.3, and rulings 16 for who hears of what."""

import hashlib
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.app import cases, fsck
from shipsvc.app.cases import Alarm
from shipsvc.domain.cases import CaseKind
from shipsvc.store.tables import table
from shipsvc.store.tables_cases import CaseCause, CaseItem, CaseRecord
from shipsvc.web.deps import transaction
from tests.web.chip import CHIP, JAR, NUMBERS, PARCEL, VIAL, receive_chip, send_chip
from tests.web.collection import Collection, collection
from tests.web.reserved import asked, granted, reserved
from tests.web.visits import check

#: While the chip is on its way, and before anybody else has had to do with it than TRP and the courier.
FOUND_AT = datetime(2026, 3, 14, 6, 0, tzinfo=UTC)
ALARM = Alarm(
    rule="drift",
    key="BRM0001",
    kind=CaseKind.MASS,
    items=["BRM0001"],
    what="It loses mass",
    because="The sum is beyond 4 u",
    found_at=FOUND_AT,
)


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip that SMP has received, once on each database."""
    with collection(database_url) as found:
        send_chip(found)
        receive_chip(found)
        found.at("2026-03-14T08:00:00Z")
        yield found


@pytest.fixture
def stock(database_url: str) -> Iterator[Collection]:
    """A collection with a reserve, once on each database."""
    with collection(database_url) as found:
        reserved(found)
        yield found


def opened(world: Collection, who: str = "cur", acting_for: str = "TRP", status: int = 201, **more: Any) -> Any:
    """A case about the chip."""
    world.running.clock.forward(seconds=1)
    body = {"acting_for": acting_for, "kind": "damage", "items": [NUMBERS[CHIP]], "what": "A corner is off"}
    return world.post(who, "cases", {**body, **more}, status)


def moved(world: Collection, code: str, act: str, status: int = 200, who: str = "cur", **body: Any) -> Any:
    """What becomes of a case."""
    world.running.clock.forward(seconds=1)
    return world.post(who, f"cases/{code}/{act}", {"because": "looked at", **body}, status)


def by_rule(world: Collection, alarm: Alarm) -> list[str]:
    """What a rule opens, recorded now."""
    with transaction(world.running.service, writes=True) as connection:
        return cases.open_by_rule(connection, world.running.clock(), alarm)


def nothing_is_amiss(world: Collection) -> None:
    """What is written is what ``fsck`` expects."""
    with transaction(world.running.service, writes=False) as connection:
        assert list(fsck.check(connection)) == []


def test_from_the_day_it_is_found_to_the_decision(world: Collection) -> None:
    """Open, contained, decided, closed, and open again; each asked about as of its time and as known on it."""
    case = opened(world, happened_from="2026-03-11T10:00:00Z", happened_to="2026-03-14T00:10:00Z")
    code = case["code"]
    assert (case["state"], case["hold"], case["owner"], case["opened_by"]) == ("open", True, "TRP", "TRP")
    assert case["decide_by"] == "2026-03-17T08:00:01Z"
    world.at("2026-03-15T08:00:00Z")
    assert moved(world, code, "contain", hold=True)["state"] == "contained"
    world.at("2026-03-18T08:00:00Z")
    assert world.get("cur", f"cases/{code}")["overdue"] is True
    assert moved(world, code, "close", 409)["code"] == "rule_forbids"

    found = moved(world, code, "decide", decision="Kept as it is", cause="Opened at the border", hold=False)

    assert (found["state"], found["hold"], found["overdue"], found["cause"]) == (
        "decided",
        False,
        False,
        "Opened at the border",
    )
    assert moved(world, code, "close")["state"] == "closed"
    again = moved(world, code, "reopen")
    assert (again["state"], again["hold"], again["decision"], again["version"]) == ("open", True, None, 5)
    then = world.get("cur", f"cases/{code}", as_of="2026-03-16T00:00:00Z")
    assert (then["state"], then["version"], then["overdue"]) == ("contained", 2, False)
    assert world.get("cur", f"cases/{code}", known_on="2026-03-16T00:00:00Z")["state"] == "contained"
    assert world.get("cur", f"cases/{code}", 404, as_of="2026-03-14T07:00:00Z")["code"] == "not_found"
    nothing_is_amiss(world)


def test_what_is_on_hold_goes_nowhere_but_home(world: Collection) -> None:
    """Step 31: "items keep circulating" is what goes wrong. A vial on hold is in the box that is to be sent."""
    case = opened(world, items=[NUMBERS[VIAL]])
    assert world.get("cur", f"items/{NUMBERS[VIAL]}")["on_hold"] == [case["code"]]
    route = {"consignor": "SMP", "carrier": "CRK", "expected_by": "2026-03-20T12:00:00Z", "contents": [NUMBERS[JAR]]}
    world.running.add("shipper", ("SMP", "clerk"))

    def ship(to: str, status: int = 201) -> Any:
        return world.running.post("/v1/shipments", {**route, "addressee": to}, world.running.token("shipper"), status)

    refused = ship("MRL", 409)

    assert f"{NUMBERS[VIAL]} is on hold (case {case['code']})" in refused["detail"]
    onward = world.tell("ana", "SMP", "released", PARCEL, "2026-03-14T09:00:00Z", to="MRL")
    assert "on_hold" in onward["flags"]
    assert ship("TRP")["code"] == "SMP-T-1"
    home = world.tell("ana", "SMP", "released", JAR, "2026-03-14T10:00:00Z", to="CRK", shipment="SMP-T-1")
    assert "on_hold" not in home["flags"]
    moved(world, case["code"], "contain", hold=False)
    assert world.get("cur", f"items/{NUMBERS[VIAL]}")["on_hold"] == []
    assert ship("MRL")["code"] == "SMP-T-2"
    nothing_is_amiss(world)


def test_what_is_on_hold_is_neither_promised_nor_lent(stock: Collection) -> None:
    """Decisions of ours about it wait; facts are recorded, with a flag."""
    world = stock
    stone = world.running.people["stone"]
    code = asked(world, "50")
    case = opened(world, items=[stone])
    terms = {"lender": "TRP", "borrower": "SMP", "responsible": "ana", "purpose": "noble gas"}
    assert granted(world, code, "50", 409)["errors"][0]["pointer"] == "/grants/0/sample"
    assert "on hold" in world.post("cur", "loans", {"code": "L-09", "lines": [stone], **terms}, 409)["detail"]
    used = world.tell("cur", "TRP", "used", stone[:-2], "2026-03-14T10:00:00Z", mass="1 mg", balance="B1")
    assert used["flags"] == ["on_hold"]
    moved(world, case["code"], "decide", decision="kept", hold=False)
    assert granted(world, code, "50")["status"] == "approved"
    assert world.post("cur", "loans", {"code": "L-09", "lines": [stone], **terms})["state"] == "running"


def test_a_loan_is_not_closed_while_a_case_of_it_is_open(world: Collection) -> None:
    """Step 29: cannot close with open lines or open cases."""
    terms = {"lender": "TRP", "borrower": "SMP", "responsible": "ana", "purpose": "noble gas"}
    world.post("cur", "loans", {"code": "L-01", "lines": [NUMBERS[CHIP]], **terms})
    world.tell("cur", "TRP", "released", CHIP, "2026-03-14T09:00:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", CHIP, "2026-03-14T09:10:00Z", from_="TRP")
    world.tell("ana", "SMP", "released", CHIP, "2026-03-14T10:00:00Z", to="TRP")
    world.tell("cur", "TRP", "accepted", CHIP, "2026-03-14T11:00:00Z", from_="SMP")
    case = opened(world, found_at="2026-03-14T09:30:00Z")
    assert case["loan"] == "L-01"

    refused = world.post("cur", "loans/L-01/close", {"because": "back"}, 409)

    assert case["code"] in refused["detail"]
    moved(world, case["code"], "decide", decision="accepted")
    assert world.post("cur", "loans/L-01/close", {"because": "back"}, 200)["state"] == "closed"


def test_who_hears_of_a_case(world: Collection) -> None:
    """Owner and auditor: all of it. Who had to do with the thing when it was found: the case, and what is shared."""
    code = opened(world)["code"]
    said = {"acting_for": "TRP", "what": "Asked Prof. N.\nNo answer yet."}
    world.post("cur", f"cases/{code}/entries", said)
    world.post("cur", f"cases/{code}/entries", {**said, "what": "Do not open it.", "shared": True})
    world.post("ana", f"cases/{code}/entries", {"acting_for": "SMP", "what": "It is in the cabinet."})

    assert [e["line"] for e in world.get("cur", f"cases/{code}")["entries"]] == [1, 2, 3]
    assert [e["line"] for e in world.get("aud", f"cases/{code}")["entries"]] == [1, 2, 3]
    theirs = world.get("ana", f"cases/{code}")
    assert ([e["line"] for e in theirs["entries"]], theirs["items"]) == ([2, 3], [NUMBERS[CHIP]])
    assert [c["code"] for c in world.get("ana", "cases")["items"]] == [code]
    assert world.get("stranger", f"cases/{code}", 404)["code"] == "not_found"
    assert world.get("stranger", "cases")["items"] == []
    assert world.post("stranger", f"cases/{code}/entries", {**said, "acting_for": "MRL"}, 404)["code"] == "not_found"
    assert moved(world, code, "decide", 403, "ana", decision="x")["code"] == "not_your_role"
    assert moved(world, code, "contain", 403, "ana")["code"] == "not_your_institution"


def test_an_internal_case_and_its_hold_are_the_owners_own(world: Collection) -> None:
    """Suspicions about people are not shown to those who hold the thing; that it is on hold is, without the case."""
    code = opened(world, kind="suspected_theft", internal=True)["code"]
    assert world.get("ana", f"cases/{code}", 404)["code"] == "not_found"
    assert world.get("ana", f"items/{NUMBERS[CHIP]}")["on_hold"] == []
    told = world.tell("ana", "SMP", "used", CHIP, "2026-03-14T09:00:00Z", mass="1 mg", balance="B5")
    assert told["flags"] == []
    assert "on_internal_hold" not in str(world.get("ana", f"items/{NUMBERS[CHIP]}")["flags"])
    assert "on_internal_hold" in str(world.get("cur", f"items/{NUMBERS[CHIP]}")["flags"])


def test_a_case_found_in_the_time_of_others_is_not_theirs(world: Collection) -> None:
    """Rulings 16: what befell a thing after one's own time is not told, nor that there is a case."""
    world.tell("ana", "SMP", "released", CHIP, "2026-03-14T10:00:00Z", to="TRP")
    world.tell("cur", "TRP", "accepted", CHIP, "2026-03-14T11:00:00Z", from_="SMP")
    world.at("2026-03-15T00:00:00Z")
    late = opened(world)["code"]
    early = opened(world, found_at="2026-03-14T09:00:00Z")["code"]
    assert [c["code"] for c in world.get("ana", "cases")["items"]] == [early]
    assert world.get("ana", f"cases/{late}", 404)["code"] == "not_found"


def test_who_reports_sees_the_case_but_decides_nothing(world: Collection) -> None:
    """The borrower reports at once; the owner decides, and lifts the hold."""
    case = opened(world, "ana", "SMP", kind="loss")
    assert (case["opened_by"], case["owner"], case["hold"]) == ("SMP", "TRP", True)
    contained = moved(world, case["code"], "contain", who="ana", hold=False)
    assert (contained["state"], contained["hold"]) == ("contained", True)
    assert moved(world, case["code"], "close", 403, "ana")["code"] == "not_your_role"
    assert opened(world, "stranger", "MRL", 404)["code"] == "not_found"
    assert opened(world, "ana", "TRP", 403)["code"] == "not_your_institution"
    assert [c["code"] for c in world.get("cur", "cases", state="contained", kind="loss")["items"]] == [case["code"]]
    assert world.get("cur", "cases", state="open")["items"] == []
    assert [c["code"] for c in world.get("cur", "cases", item=NUMBERS[CHIP])["items"]] == [case["code"]]
    assert world.get("cur", "cases", item=NUMBERS[VIAL])["items"] == []


def test_family_and_box_mates_are_added(world: Collection) -> None:
    """A case spreads to what lay beside; twice is once; what others own needs a case of its own."""
    code = opened(world)["code"]
    more = {"items": [NUMBERS[VIAL], NUMBERS[CHIP]]}
    world.running.clock.forward(seconds=1)
    added = world.post("clerk", f"cases/{code}/items", more, 200)
    assert added["items"] == [NUMBERS[CHIP], NUMBERS[VIAL]]
    assert world.post("clerk", f"cases/{code}/items", more, 200)["items"] == added["items"]
    assert world.get("cur", f"cases/{code}", known_on="2026-03-14T08:00:01Z")["items"] == [NUMBERS[CHIP]]
    assert world.post("ana", f"cases/{code}/items", more, 403)["code"] == "not_your_institution"


def test_a_file_of_an_entry_opens_to_who_reads_the_entry(world: Collection) -> None:
    """A photograph that the owner shares in a case; one that it does not share stays shut."""
    names = {}
    for name in ("shared", "kept"):
        content = f"{name} {CHIP}".encode()
        form: Any = {"data": {"acting_for": "TRP"}, "files": {"file": (f"{name}.txt", content)}}
        answer = world.running.client.post("/v1/files", **form, headers=dict(world.head("cur")))
        names[name] = answer.json()["sha256"]
        assert names[name] == hashlib.sha256(content).hexdigest()
    code = opened(world, files_sha256=[names["shared"], "0" * 64])["code"]
    world.post("cur", f"cases/{code}/entries", {"acting_for": "TRP", "what": "x", "files_sha256": [names["kept"]]})

    (entry,) = world.get("ana", f"cases/{code}")["entries"]

    assert (entry["what"], entry["files_missing"]) == ("A corner is off", ["0" * 64])
    for name, who, status in (("shared", "ana", 200), ("kept", "ana", 404), ("shared", "stranger", 404)):
        got = world.running.client.get(f"/v1/files/{names[name]}", headers=dict(world.head(who)))
        assert got.status_code == status, (name, who)


def test_one_cause_opens_one_case(world: Collection) -> None:
    """A rule that comes true again adds what it found to the case that is there, decided or not."""
    (code,) = by_rule(world, ALARM)
    shown = world.get("cur", f"cases/{code}")
    assert (shown["rule"], shown["opened_by"], shown["actor"], shown["hold"]) == ("drift", None, "rule/drift", False)
    moved(world, code, "decide", decision="dried")

    assert by_rule(world, replace(ALARM, items=["BRM0001", "V0001"])) == [code]

    again = world.get("cur", f"cases/{code}")
    assert (again["state"], again["items"]) == ("decided", [NUMBERS[CHIP], NUMBERS[VIAL]])
    assert by_rule(world, replace(ALARM, key="other")) != [code]
    assert by_rule(world, replace(ALARM, rule="budget")) != [code]
    assert world.get("ana", f"cases/{code}")["items"] == [NUMBERS[CHIP], NUMBERS[VIAL]]
    nothing_is_amiss(world)


def test_one_cause_found_by_many_at_once_opens_one_case(world: Collection) -> None:
    """Eight transactions in one instant, on both databases."""
    together = threading.Barrier(8)

    def find(_: int) -> list[str]:
        together.wait()
        return by_rule(world, ALARM)

    with ThreadPoolExecutor(8) as pool:
        assert len({tuple(codes) for codes in pool.map(find, range(8))}) == 1


def test_fsck_sees_a_case_that_nobody_told(world: Collection) -> None:
    """A state that cannot follow, a case about nothing, and a thing of a case that is not there."""
    code = opened(world)["code"]
    with transaction(world.running.service, writes=True) as connection:
        row = dict(connection.execute(sa.select(CaseRecord.__table__)).mappings().one())  # type: ignore[attr-defined]
        later = {"recorded_at": world.running.clock(), "actor": "nobody"}
        closed = {**row, **later, "version": 2, "state": "closed", "decision": "x"}
        connection.execute(sa.insert(CaseRecord), [closed, {**row, "code": "C-EMPTY"}])
        lost = {"case_code": "C-LOST", "item": "BRM0001", "from_at": row["found_at"], **later}
        connection.execute(sa.insert(CaseItem), [lost])
    with transaction(world.running.service, writes=False) as connection:
        found = {finding.what for finding in fsck.check(connection)}
    assert {"a state that cannot follow", "closed, and still holding", "what it is about"} <= found
    assert "a thing of a case that is not there" in found
    assert code


def test_what_cannot_be_opened(world: Collection) -> None:
    """Times to come, times backwards, and nothing at all."""
    ahead = opened(world, status=422, found_at="2026-03-15T00:00:00Z")
    assert ahead["errors"][0]["pointer"] == "/found_at"
    backwards = {"happened_from": "2026-03-12T00:00:00Z", "happened_to": "2026-03-11T00:00:00Z"}
    assert opened(world, status=422, **backwards)["errors"][0]["pointer"] == "/happened_to"
    assert opened(world, status=422, items=[])["code"] == "malformed"
    assert opened(world, status=422, kind="gremlins")["code"] == "malformed"


def weighed_by_ana(world: Collection) -> tuple[str, str]:
    """The laboratory weighs 100 mg less than were sent, and the owner sets the book to that: (the case, the id of who
    weighed)."""
    weighing = world.tell("ana", "SMP", "weighed", CHIP, "2026-03-14T09:00:00Z", mass="1104.3 mg", balance="B5")
    world.running.clock.forward(hours=1)
    world.post("cur", f"items/{NUMBERS[CHIP]}/post-mass", {"weighing": weighing["id"], "because": "It is gone"})
    (case,) = world.get("cur", "cases", kind="mass")["items"]
    return case["code"], world.running.people["ana"]


def person_in(shown: Any) -> str:
    """How a case of drift names the person."""
    (line,) = (line for line in shown["what"].splitlines() if line.startswith("Person "))
    return str(line.split(":")[0].removeprefix("Person "))


def test_a_case_names_people_to_those_who_may_know_them(world: Collection) -> None:
    """An auditor knows everybody; the owner's curator nobody of another institution, until both are at one (D15);
    whoever says something in it gets the id, since that answer is kept; after the name is erased nobody reads it."""
    code, ana = weighed_by_ana(world)
    path, stored = f"cases/{code}", f"Person {ana}: -100 mg in 1 step of 1 sample"
    assert person_in(world.get("aud", path)) == "ana"
    assert person_in(world.get("aud", "cases", kind="mass")["items"][0]) == "ana"
    assert person_in(world.get("cur", path)) == ana
    assert world.get("cur", f"people/{ana}", 404)["code"] == "not_found"
    assert world.get("ana", path, 404)["code"] == "not_found"

    world.post("first", f"people/{ana}/roles", {"institution": "TRP", "role": "witness", "change": "grant"})
    assert person_in(world.get("cur", path)) == "ana"
    said = world.post("cur", f"{path}/entries", {"acting_for": "TRP", "what": f"Asked {ana}"})
    assert stored in said["what"]
    assert world.get("cur", path)["entries"][-1]["what"] == f"Asked {ana}"  # what people wrote stays as it is

    world.post("first", f"people/{ana}/erase-name", {}, 200)
    assert person_in(world.get("aud", path)) == person_in(world.get("cur", path)) == ana
    nothing_is_amiss(world)


def test_a_page_names_the_person_of_a_case(world: Collection) -> None:
    """To the auditor; to the curator, who may not know them, their id. The list of cases has the first lines only."""
    code, ana = weighed_by_ana(world)
    for who, named, other in (("aud", "Person ana:", ana), ("cur", f"Person {ana}:", "Person ana:")):
        page = check(world.running, who, f"/cases/{code}")
        assert named in page, who
        assert other not in page, who
        every = check(world.running, who, "/cases")
        assert f"weighing explains. Sample {NUMBERS[CHIP]}: -100 mg in 1 step" in every
        assert "Person" not in every


def test_fsck_sees_a_cause_that_no_rule_found(world: Collection) -> None:
    """A cause of no case, one of a case that a person opened, and a case of a rule without any."""
    code = opened(world)["code"]
    (found,) = by_rule(world, ALARM)
    nothing_is_amiss(world)
    with transaction(world.running.service, writes=True) as connection:
        told = {"rule": "drift", "owner": "TRP", "recorded_at": world.running.clock(), "actor": "rule/drift"}
        causes = [{**told, "key": key, "case_code": of} for key, of in (("x", "C-LOST"), ("y", code))]
        connection.execute(sa.insert(CaseCause), causes)
        (row,) = connection.execute(sa.select(table(CaseRecord)).where(table(CaseRecord).c.code == found)).mappings()
        connection.execute(sa.insert(CaseRecord), [{**row, "code": "C-NONE"}])
    with transaction(world.running.service, writes=False) as connection:
        wrong = {(finding.what, finding.about) for finding in fsck.check(connection)}
    assert ("a cause of a case that is not there", "case C-LOST") in wrong
    assert ("the rule of a cause", f"case {code}") in wrong
    assert ("when its first cause was found", "case C-NONE") in wrong
