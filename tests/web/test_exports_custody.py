"""Exports of shipments, custody and weighings, against what was told by hand and against the lists and reports."""

import csv
import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from shipsvc.cli import app
from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.web import exports
from tests.web.collection import Collection, collection, typed

Json = dict[str, Any]
CHIP, VIAL, PARCEL, EMPTY = "BRM-0001", "V-0001", "P-0001", "P-0002"
NOUNS = ("cases", "comparisons", "facts", "handovers", "items", "loans", "moves", "shipments")
LATER = "2026-06-01T00:00:00+00:00"


@pytest.fixture
def there(database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Collection]:
    """A chip that went to Sevrin Mesa by courier and came back; pages are short, so that every export has several."""
    monkeypatch.setattr(exports, "PAGE", 2)
    monkeypatch.setattr(exports, "LOAN_PAGE", 1)
    with collection(database_url) as found:
        told(found)
        yield found


def told(world: Collection) -> None:
    """Two shipments, one of them empty, and three weighings."""
    things: dict[str, Json] = {
        VIAL: {"item": "container", "form": "vial"},
        PARCEL: {"item": "parcel"},
        EMPTY: {"item": "parcel"},
        CHIP: {"item": "sample", "what": "=chip", "mass": "500 mg", "balance": "B1"},
    }
    for number, body in things.items():
        world.tell("cur", "TRP", "registered", number, "2026-03-11T10:00:00Z", **body)
    world.tell("cur", "TRP", "packed", CHIP, "2026-03-11T11:00:00Z", into=typed(VIAL), material=True)
    world.tell("cur", "TRP", "packed", VIAL, "2026-03-11T12:00:00Z", into=typed(PARCEL))
    terms = {"lender": "TRP", "borrower": "SMP", "responsible": "ana", "purpose": "noble gas"}
    world.post("cur", "loans", {"code": "L-01", "lines": [typed(CHIP)], **terms})
    box: Json = {"consignor": "TRP", "addressee": "SMP", "carrier": "CRK", "expected_by": "2026-03-20T12:00:00Z"}
    world.post("clerk", "shipments", {"code": "T-01", **box, "loan": "L-01", "contents": [typed(PARCEL)]})
    world.post("clerk", "shipments", {"code": "T-02", **box, "why": "to come", "contents": []})
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-12T10:00:00Z", to="CRK", shipment="T-01")
    world.tell("driver", "CRK", "accepted", PARCEL, "2026-03-12T11:00:00Z", from_="TRP", shipment="T-01")
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T10:00:00Z", to="SMP", shipment="T-01")
    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T11:00:00Z", from_="CRK", shipment="T-01")
    for day, mass in (("15", "499.9 mg"), ("16", "450 mg")):
        world.tell("ana", "SMP", "weighed", CHIP, f"2026-03-{day}T10:00:00Z", mass=mass, balance="B5")
    case = {"acting_for": "TRP", "kind": "mass", "items": [typed(CHIP)], "what": "50 mg are not there", "hold": False}
    world.post("cur", "cases", case)
    world.tell("ana", "SMP", "unpacked", VIAL, "2026-03-17T10:00:00Z")
    world.tell("ana", "SMP", "released", VIAL, "2026-03-20T10:00:00Z", to="TRP")
    world.tell("cur", "TRP", "accepted", VIAL, "2026-03-22T10:00:00Z", from_="SMP")
    world.tell("cur", "TRP", "weighed", CHIP, "2026-03-23T10:00:00Z", mass="450 mg", balance="B1")
    world.at(LATER)


def text(there: Collection, who: str, noun: str, accept: str = "*/*", **asked: str) -> str:
    """An export as it is sent."""
    head = {**there.head(who), "Accept": accept}
    answer = there.running.client.get(f"/v1/export/{noun}", params=asked, headers=head)
    assert answer.status_code == 200, answer.text
    return answer.text


def lines(there: Collection, who: str, noun: str, **asked: str) -> list[Json]:
    """The rows of an export as JSON Lines."""
    return [json.loads(line) for line in text(there, who, noun, **asked).splitlines()]


def test_shipments_are_those_of_the_list(there: Collection) -> None:
    """One row a parcel, with the words that the list has for the same reader; an empty shipment is there too."""
    for who, count in (("cur", 2), ("ana", 2), ("driver", 2), ("aud", 2), ("stranger", 0)):
        listed = {one["code"]: one for one in there.get(who, "shipments")["items"]}
        found = lines(there, who, "shipments")
        assert [row["shipment"] for row in found] == sorted(listed)
        assert len(found) == count
        for row in found:
            shipment = listed[row["shipment"]]
            of_shipment = ("consignor", "addressee", "carrier", "expected_by", "loan", "why", "overdue", "turned_at")
            assert {name: row[name] for name in of_shipment} == {name: shipment[name] for name in of_shipment}
            (parcel,) = shipment["contents"] or [dict.fromkeys(("number", "kind", "state", "confirmed_at"))]
            assert {name: row[name] for name in parcel if name != "last"} == {
                name: value for name, value in parcel.items() if name != "last"
            }


def test_a_carrier_is_not_told_what_for(there: Collection) -> None:
    """Neither the loan nor the reason, as in the list (rulings 16)."""
    assert {(row["loan"], row["why"]) for row in lines(there, "driver", "shipments")} == {(None, "")}
    assert {row["loan"] for row in lines(there, "ana", "shipments")} == {"L-01", None}


def legs(there: Collection, who: str, number: str, **asked: str) -> list[tuple[Any, ...]]:
    """The custody of one thing: state, certain, claimed, from and until, by day and hour of March."""
    found = [row for row in lines(there, who, "handovers", **asked) if row["number"] == typed(number)]
    return [(row["state"], row["certain"], row["claimed"], _hour(row["since"]), _hour(row["until"])) for row in found]


def _hour(instant: str | None) -> str | None:
    return instant and instant[8:13].replace("T", " ")


#: Written down from what was told (rulings 14 and 26), not from what the service answers.
OWNERS = [
    ("agreed", "TRP", None, "11 10", "12 10"),
    ("giver_only", "TRP", "CRK", "12 10", "12 11"),
    ("agreed", "CRK", None, "12 11", "14 10"),
    ("giver_only", "CRK", "SMP", "14 10", "14 11"),
    ("agreed", "SMP", None, "14 11", "20 10"),
    ("giver_only", "SMP", "TRP", "20 10", "22 10"),
    ("agreed", "TRP", None, "22 10", None),
]


def test_custody_is_what_was_told(there: Collection) -> None:
    """The owner and an auditor read every leg, for a thing itself and for what lay in it; a stranger none."""
    for who in ("cur", "aud"):
        assert legs(there, who, VIAL) == OWNERS
        assert legs(there, who, CHIP) == OWNERS
    assert legs(there, "cur", PARCEL) == [*OWNERS[:4], ("agreed", "SMP", None, "14 11", None)]
    assert lines(there, "stranger", "handovers") == []


def test_custody_of_others_things_is_that_of_ones_own_time(there: Collection) -> None:
    """The borrower reads from the loan's beginning to its end, the courier what it was handed until it handed it on,
    and of the parcel alone (rulings 16, D15)."""
    of_borrower = legs(there, "ana", CHIP)
    assert of_borrower[-1][:3] == ("giver_only", "SMP", "TRP")
    assert ("agreed", "SMP", None, "14 11", "20 10") in of_borrower
    assert all(end is not None and end <= "22 10" for *_, end in of_borrower)
    assert legs(there, "driver", PARCEL) == OWNERS[1:4]
    assert {row["number"] for row in lines(there, "driver", "handovers")} == {typed(PARCEL)}


def test_one_sided_legs_are_those_of_the_report(there: Collection) -> None:
    """What one side alone told of is the same stretch as at ``/v1/items/{number}/one-sided``."""
    for who in ("cur", "ana"):
        rows = [row for row in lines(there, who, "handovers") if row["number"] == typed(CHIP)]
        told = [row for row in rows if row["state"] == "giver_only"]
        stretches = there.get(who, f"items/{typed(CHIP)}/one-sided")["stretches"]
        names = ("since", "until", "state", "certain", "claimed", "event_id")
        assert [[row[n] for n in names] for row in told] == [[one[n] for n in names] for one in stretches]


def test_custody_has_two_clocks(there: Collection) -> None:
    """As of the way, the last leg has no end; by what was known before the acceptance, the courier only claims."""
    assert legs(there, "cur", VIAL, as_of="2026-03-13T00:00:00Z") == [
        *OWNERS[:2],
        ("agreed", "CRK", None, "12 11", None),
    ]
    by_then = legs(there, "cur", VIAL, known_on="2026-03-12T10:30:00Z")
    assert by_then == [OWNERS[0], ("giver_only", "TRP", "CRK", "12 10", None)]


def test_comparisons_are_those_of_the_report(there: Collection) -> None:
    """Every weighing that the report tells the reader of, those that agree too, to the last row."""
    for who, count in (("cur", 3), ("ana", 2), ("aud", 3), ("driver", 0), ("stranger", 0)):
        report = there.get(who, "reports/mass-discrepancies", verdict="all")["items"]
        found = lines(there, who, "comparisons")
        assert [{name: row[name] for name in one} for row, one in zip(found, report, strict=True)] == report
        assert len(found) == count


def test_csv_has_the_same_rows(there: Collection) -> None:
    """RFC 4180 read by the csv module; cells that begin like a formula are text (OWASP, CSV Injection)."""
    for noun in NOUNS:
        rows = list(csv.DictReader(io.StringIO(text(there, "cur", noun, "text/csv"), newline="")))
        assert [list(row) for row in rows] == [list(row) for row in lines(there, "cur", noun)]
        assert rows


# ------------------------------------------------------------------------------------------------------ shipsvc export
def run(*words: str) -> Result:
    """Give a command; nothing but an exit may come out of it."""
    result = CliRunner().invoke(app, list(words))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def command(there: Collection, monkeypatch: pytest.MonkeyPatch) -> Collection:
    """The same, with the settings naming its database."""
    url = there.running.service.settings.database_url
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", url)
    return there


MOMENT: Mapping[str, str] = {"as_of": "2026-03-21T00:00:00Z", "known_on": "2026-03-22T00:00:00Z"}


@pytest.mark.parametrize("who", ["cur", "ana", "driver", "stranger"])
def test_files_equal_the_answers_over_http(command: Collection, who: str, tmp_path: Path) -> None:
    """Byte by byte, for each reader: each export, in both forms, and no other file."""
    target = tmp_path / "out"
    result = run("export", str(target), "--as", who, "--as-of", MOMENT["as_of"], "--known-on", MOMENT["known_on"])

    assert result.exit_code == 0, result.output
    assert {file.name for file in target.iterdir()} == {f"{n}.{form}" for n in NOUNS for form in ("csv", "jsonl")}
    for noun in NOUNS:
        for form, accept in (("csv", "text/csv"), ("jsonl", "application/jsonl")):
            written = (target / f"{noun}.{form}").read_bytes().decode()
            assert written == text(command, who, noun, accept, **MOMENT), (noun, form)


def test_a_directory_is_there_whole_or_not_at_all(
    command: Collection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that exists is left alone; a run that fails half-way leaves nothing, nor does an unknown name."""
    folder = tmp_path / "files"
    (folder / "there").mkdir(parents=True)
    assert run("export", str(folder / "there"), "--as", "cur").exit_code == 1
    assert run("export", str(folder / "out"), "--as", "nobody").exit_code == 1
    assert run("export", str(folder / "out"), "--as", "cur", "--as-of", "yesterday").exit_code == 1
    broken = exports.Export("shipments", exports.EXPORTS["shipments"].shape, _fails)
    monkeypatch.setitem(exports.EXPORTS, "shipments", broken)
    assert run("export", str(folder / "out"), "--as", "cur").exit_code == 1

    assert [file.name for file in folder.iterdir()] == ["there"]
    assert list((folder / "there").iterdir()) == []


def _fails(*_asked: object) -> exports.Page:
    raise OSError(28, "No space left on device", "shipments.csv")


def test_every_export_is_a_path_of_the_api() -> None:
    """None is written by the command that is not answered over HTTP, and the other way round."""
    described = create_app(Settings(database_url="sqlite:///never-opened.sqlite3")).openapi()
    found = {path.rpartition("/")[2] for path in described["paths"] if path.startswith("/v1/export/")}
    assert found == exports.EXPORTS.keys() == set(NOUNS)
