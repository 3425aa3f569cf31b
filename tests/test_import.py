"""``shipsvc import``: what a table says is in the record afterwards, and nothing else is."""

import csv
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner, Result

from shipsvc.cli import app
from shipsvc.store.tables import Event, table
from tests import ledger
from tests.web.service import Running, running

ROWS = 200
SMALL = "old number,kind,what,mass (mg),how,balance,date,place\n"
CHIP = "Brae_1,sample,chip,512.30,weighed,B2,1987-03,TRP-GB1\n"


@pytest.fixture
def service(database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Running]:
    """The service with TRP and its keeper, once on each database, which the settings name."""
    yield from _furnished(database_url, monkeypatch)


@pytest.fixture
def embedded(sqlite_database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Running]:
    """The same on SQLite, for what does not depend on the database."""
    yield from _furnished(sqlite_database_url, monkeypatch)


def _furnished(url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Running]:
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", url)
    with running(url) as found:
        ledger.furnish(found)
        yield found


def bring_in(path: Path, *more: str, login: str = "keeper") -> Result:
    """Give the command; nothing but an exit may come out of it."""
    result = CliRunner().invoke(app, ["import", str(path), "--as", login, "--for", "TRP", *more])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def file(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    """A table of these words."""
    path = folder / "items.csv"
    path.write_bytes(text.encode(encoding))
    return path


def told(service: Running) -> list[Any]:
    """Every fact in the log."""
    with service.service.database.engine.connect() as connection:
        return list(connection.execute(sa.select(table(Event))).mappings())


def shown(service: Running, name: str) -> dict[str, Any]:
    """What the API shows of a thing, now."""
    service.clock.at = datetime.now(UTC)
    return service.get(f"/v1/items/{quote(name, safe='')}", service.token("keeper"))


def test_a_ledger_comes_back_as_it_was_written(service: Running, tmp_path: Path) -> None:
    """Each row, read by the csv module of the standard library, against what HTTP tells; then fsck finds nothing."""
    path = ledger.written(tmp_path / "items.csv", ledger.rows(ROWS))
    result = bring_in(path)
    assert result.exit_code == 0, result.output
    assert f"{ROWS} things brought in, 0 were there (replayed)" in result.output
    assert "peak memory" in result.output
    service.clock.at = datetime.now(UTC)
    header = service.token("keeper")
    with path.open(encoding="utf-8", newline="") as table:
        rows = list(csv.DictReader(table))
    found = {row["Old number"]: service.get(f"/v1/items/{quote(row['Old number'], safe='')}", header) for row in rows}
    taken = {row["Parent"]: Decimal(row["Mass taken (mg)"]) for row in rows if row["Parent"]}
    for row in rows:
        _compare(row, found, taken.get(row["Old number"], Decimal(0)))
    loans = [service.get(f"/v1/loans/L-{block}", header) for block in range(ROWS // ledger.BLOCK)]
    assert [(one["borrower"], one["due_on"], len(one["lines"]), one["state"]) for one in loans] == [
        ("TSI", "2023-08-31", 5, "running")
    ] * len(loans)
    checked = CliRunner().invoke(app, ["fsck"])
    assert checked.exit_code == 0, checked.output
    assert ", 0 differences." in checked.output


def _compare(row: dict[str, str], found: dict[str, Any], taken: Decimal) -> None:
    item, name = found[row["Old number"]], row["Old number"]
    assert item["kind"] == ("container" if row["Kind"] == "vial" else row["Kind"]), name
    assert item["form"] == ("vial" if row["Kind"] == "vial" else "material"), name
    assert item["what"] == row["What"], name
    assert not row["Number"] or item["number"] == row["Number"], name
    if row["Mass [mg]"]:
        assert Decimal(item["book"]["mass_mg"]) == Decimal(row["Mass [mg]"]) - taken, name
        assert item["book"]["how"] == row["How"], name
    if row["Into"]:
        assert item["nest"][0]["number"] == found[row["Into"]]["number"], name
    if row["Place"]:
        assert item["where"]["place"] == row["Place"], name
    if row["Loan"]:
        assert (item["loan"]["loan"], item["loan"]["line"]) == (row["Loan"], "sent"), name
        assert (item["custody"]["certain"], item["custody"]["claimed"]) == ("TRP", "TSI"), name
    else:
        assert item["custody"]["certain"] == (row["Holder"] or "TRP"), name
        assert item["custody"]["handover"] == "agreed", name


def test_the_same_file_twice_changes_nothing(service: Running, tmp_path: Path) -> None:
    """Every fact is answered as told before, no number is given out, and another person changes as little."""
    path = ledger.written(tmp_path / "items.csv", ledger.rows(ROWS))
    assert bring_in(path).exit_code == 0
    before = told(service)
    service.add("other", ("TRP", "curator"))
    for login in ("keeper", "other"):
        again = bring_in(path, login=login)
        assert again.exit_code == 0, again.output
        assert f"0 things brought in, {ROWS} were there (replayed); 0 facts stored" in again.output
        assert told(service) == before


def test_a_dry_run_stores_nothing(embedded: Running, tmp_path: Path) -> None:
    """The file is checked whole, and the log stays empty."""
    result = bring_in(ledger.written(tmp_path / "items.csv", ledger.rows(ROWS)), "--dry-run")
    assert (result.exit_code, told(embedded)) == (0, [])
    assert f"{ROWS} rows, no fault." in result.output


EUROPEAN = (
    "Old number;Kind;What;Mass [mg];How;Balance;Date;Place\nBrae_1;sample;chip;512,30;weighed;B2;1987-03;TRP-GB1\n"
)
SHUFFLED = "DATE,Place,Balance,HOW,Mass_mg,What,Kind,Old Number\n1987-03,trp-gb1,b2,Weighed,512.30,chip,Sample,Brae_1\n"
WRITTEN = {
    "order and case": SHUFFLED,
    "semicolons, decimal comma": EUROPEAN,
    "tabs": (SMALL + CHIP).replace(",", "\t"),
    "unit in the cell": SMALL.replace("mass (mg)", "mass") + CHIP.replace("512.30", "512.30 mg"),
    "other unit in the cell": SMALL.replace("(mg)", "(g)") + CHIP.replace("512.30", "512.30 mg"),
    "an old name where a number stands": SMALL.replace("old number", "number") + CHIP,
    "empty lines and cells": SMALL.replace("\n", ",note,\n") + "\n,,,,,,,,\n" + CHIP.replace("\n", ",,\n"),
    "spaces": SMALL.replace(",", " , ") + CHIP.replace(",", " , "),
    "line ends": (SMALL + CHIP).replace("\n", "\r\n"),
}


@pytest.mark.parametrize("how", WRITTEN)
def test_the_same_content_is_the_same_however_it_is_written(embedded: Running, tmp_path: Path, how: str) -> None:
    """Brought in once in the plain form, each other form of it is known already."""
    assert bring_in(file(tmp_path, SMALL + CHIP)).exit_code == 0
    result = bring_in(file(tmp_path, WRITTEN[how]))
    assert "0 things brought in, 1 were there" in result.output, result.output


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_byte_order_mark_is_no_part_of_the_heading(embedded: Running, tmp_path: Path, encoding: str) -> None:
    """Spreadsheets write one; letters beyond ASCII come through."""
    text = (SMALL + CHIP).replace("chip", "Bruchstück µ")
    assert bring_in(file(tmp_path, text, encoding)).exit_code == 0
    assert shown(embedded, "Brae_1")["what"] == "Bruchstück µ"


def test_half_known_times_and_their_source_are_kept(embedded: Running, tmp_path: Path) -> None:
    """Trade case 101: told now, happened decades ago, on paper; a month is known as a month, in London's time."""
    text = SMALL.replace("\n", ",source,confidence\n") + CHIP.replace("\n", ",ledger II,hard to read\n")
    assert bring_in(file(tmp_path, text)).exit_code == 0
    (registered,) = (fact for fact in told(embedded) if fact["kind"] == "registered")
    assert (registered["time_raw"], registered["time_source"]) == ("1987-03", "import")
    assert registered["happened_at"] == datetime(1987, 3, 1, tzinfo=UTC)
    assert registered["happened_latest"] == datetime(1987, 3, 31, 23, tzinfo=UTC)
    assert "on paper: ledger II; confidence: hard to read" in registered["body"]


FAULTS = [
    ("512.30", "512.30 lb", "line 2, mass (mg)", "no unit that is known"),
    ("512.30", "plenty", "line 2, mass (mg)", "no mass"),
    ("512.30", "-1", "line 2, mass (mg)", "less than nothing"),
    ("512.30", '"1,204"', "line 2, mass (mg)", "--decimal comma"),
    ("512.30", '"1.204,5"', "line 2, mass (mg)", "groups its digits"),
    ("512.30", "0.0000001", "line 2, mass (mg)", "not a mass"),
    ("B2", "B99", "line 2, balance", "no balance B99"),
    ("TRP-GB1", "TRP-XX", "line 2, place", "no place TRP-XX"),
    ("1987-03", "3/4/87", "line 2, date", "Write 2019-05-17"),
    ("1987-03", "1987-02-30", "line 2, date", "no time"),
    ("1987-03", "2999", "line 2, date", "still to come"),
    ("1987-03", "", "line 2, date", "say when"),
    ("sample", "elephant", "line 2, kind", "none of"),
    ("sample", "vial", "line 2, mass (mg)", "only samples"),
    ("weighed", "guessed", "line 2, how", "none of weighed"),
    ("Brae_1", "BRM-0001-X", "line 2, old number", "Read the label again"),
    ("chip", "ch\x07ip", "line 2, what", "control character"),
    ("chip", "c" * 401, "line 2, what", "401 characters"),
    ("TRP-GB1", "TRP-GB1,extra", "line 2", "quotation marks"),
]


@pytest.mark.parametrize(("right", "wrong", "where", "why"), FAULTS, ids=[str(f[1])[:12] for f in FAULTS])
def test_a_fault_names_line_and_column_and_what_to_do(
    embedded: Running, tmp_path: Path, right: str, wrong: str, where: str, why: str
) -> None:
    """And nothing is stored, though the row below it is good."""
    heading = SMALL.replace("old number", "number") if "BRM" in wrong else SMALL
    text = heading + CHIP.replace(right, wrong, 1) + CHIP.replace("Brae_1", "Brae_2")
    result = bring_in(file(tmp_path, text))
    assert result.exit_code == 1
    assert where.replace("old number", "number") in result.output.replace("old number", "number")
    assert why in result.output
    assert told(embedded) == []


FAMILY = "old number,kind,parent,mass taken (mg),into,mass (mg),date,loan,borrower,responsible,due,holder\n"


@pytest.mark.parametrize(
    ("rows", "where", "why"),
    [
        ("A_1,sample,B_1,,,,1990,,,,,\n", "line 2, parent", "neither above in the file nor in the record"),
        ("A_1,sample,,,,5,1990,,,,,\nA_2,sample,A_1,1,,2,1991,,,,,\n", "line 3, mass (mg)", "more than"),
        ("A_1,sample,,,,5,1990,,,,,\nA_1,sample,,,,6,1990,,,,,\n", "line 3, old number", "line 2 has A_1 too"),
        ("A_1,sample,A_1,,,5,1990,,,,,\n", "line 2, parent", "the thing itself"),
        ("A_1,sample,,,,5,1990,,,,,\nA_2,sample,,,A_1,5,1990,,,,,\n", "line 3, into", "A_1 is a sample"),
        (",sample,,,,5,1990,,,,,\n,sample,,,,5,1990,,,,,\n", "line 3", "the same as line 2"),
        ("A_1,sample,,,,5,1990,L-1,TSI,,,\n", "line 2, responsible", "first row"),
        ("A_1,sample,,,,5,1990,L-1,XYZ,K.,,\n", "line 2, borrower", "no institution XYZ"),
        ("A_1,sample,,,,5,1990,L-1,TSI,K.,1989-01-01,\n", "line 2, due", "due before it was lent"),
        ("A_1,sample,,,,5,1990,,TSI,,,\n", "line 2, loan", "Give the loan a code"),
        ("A_1,sample,,,,5,1990,L-1,TSI,K.,,DVM\n", "line 2, holder", "lender or the borrower"),
        (
            "A_1,sample,,,,5,1990,L-1,TSI,K.,,\nA_2,sample,,,,5,1990,L-1,DVM,,,\n",
            "line 3, borrower",
            "line 2 says otherwise",
        ),
    ],
)
def test_rows_are_held_against_each_other(embedded: Running, tmp_path: Path, rows: str, where: str, why: str) -> None:
    """What no row could be blamed for alone is found as well, and nothing is stored."""
    result = bring_in(file(tmp_path, FAMILY + rows))
    assert result.exit_code == 1
    assert where in result.output
    assert why in result.output
    assert told(embedded) == []


def test_what_is_there_already_is_not_told_otherwise(embedded: Running, tmp_path: Path) -> None:
    """Neither a number, nor an old name, nor a loan is used for a second thing."""
    heading = SMALL.replace("\n", ",loan,borrower,responsible\n")
    assert bring_in(file(tmp_path, heading + CHIP.replace("\n", ",L-1,TSI,K.\n"))).exit_code == 0
    before, number = told(embedded), shown(embedded, "Brae_1")["number"]
    for row, why in (
        (CHIP.replace("512.30", "512.31"), "an old name of"),
        (CHIP.replace("Brae_1", number), "is there already"),
        (CHIP.replace("Brae_1", "Brae_2").replace("\n", ",L-1,TSI,K.\n"), "loan L-1 is there already"),
    ):
        named = heading.replace("old number", "number") if number in row else heading
        result = bring_in(file(tmp_path, named + row))
        assert (result.exit_code, why in result.output) == (1, True), result.output
    assert told(embedded) == before


def test_bad_rows_are_left_out_into_a_file_that_can_be_mended(embedded: Running, tmp_path: Path) -> None:
    """With --skip-bad; a row that hangs on a bad one is bad too; mended, the file of bad rows is itself brought in."""
    good = "G_1,sample,,,,5,1990,,,,,\n"
    bad = "A_1,sample,,,,5,19xx,,,,,\nA_2,sample,A_1,1,,1,1991,,,,,\n"
    result = bring_in(file(tmp_path, FAMILY + bad + good), "--skip-bad")
    assert result.exit_code == 0, result.output
    assert "3 rows, 2 left out: see" in result.output
    left = tmp_path / "items.bad.csv"
    with left.open(encoding="utf-8-sig", newline="") as table:
        rows = list(csv.DictReader(table))
    assert [(row["old number"], row["line"]) for row in rows] == [("A_1", "2"), ("A_2", "3")]
    assert "19xx" in rows[0]["reason"]
    assert "line 2" in rows[1]["reason"]
    assert shown(embedded, "G_1")["book"]["mass_mg"] == "5"

    mended = shutil.copyfile(left, tmp_path / "mended.csv")
    mended.write_text(left.read_text("utf-8-sig").replace("19xx", "1988", 1), encoding="utf-8")
    assert "2 things brought in" in bring_in(mended).output
    assert shown(embedded, "A_1")["book"]["mass_mg"] == "4"


def test_who_may_bring_in(embedded: Running, tmp_path: Path) -> None:
    """The person acts with the roles they have: a reader, a stranger and an unknown name store nothing."""
    embedded.add("reader", ("TRP", "auditor"))
    embedded.add("stranger", ("TSI", "curator"))
    for login in ("reader", "stranger", "nobody"):
        assert bring_in(file(tmp_path, SMALL + CHIP), login=login).exit_code == 1
    assert told(embedded) == []


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "the file is empty"),
        ("Größe;Art\n1;2\n".encode("latin-1"), "Save it as UTF-8"),
        (b"colour,kind\nred,sample\n", "no column is called that"),
        (b"kind,Type\nsample,vial\n", "the same column"),
        (b'kind,what,date\nsample,"never closed,1990\n', "quotation mark"),
    ],
)
def test_a_file_that_cannot_be_read(embedded: Running, tmp_path: Path, content: bytes, why: str) -> None:
    """One line that says what it is, and exit code 1."""
    path = tmp_path / "items.csv"
    path.write_bytes(content)
    result = bring_in(path)
    assert result.exit_code == 1
    assert why in result.output
    assert told(embedded) == []


def test_a_run_that_was_killed_is_simply_run_again(embedded: Running, tmp_path: Path) -> None:
    """Killed after its first transactions, before the loans: what it stored is whole, the next run adds the rest."""
    path = ledger.written(tmp_path / "items.csv", ledger.rows(600))
    program = [sys.executable, "-c", "from shipsvc.cli import app; app()"]
    begun = subprocess.Popen([*program, "import", str(path), "--as", "keeper", "--for", "TRP"])
    while not told(embedded) and begun.poll() is None:
        time.sleep(0.02)
    begun.kill()
    begun.wait()
    stored = {fact["kind"] for fact in told(embedded)}
    assert "registered" in stored
    assert "loan_signed" not in stored
    assert ", 0 differences." in CliRunner().invoke(app, ["fsck"]).output

    result = bring_in(path)
    assert result.exit_code == 0, result.output
    assert not result.output.count(" 0 were there")
    assert "6 loans" in result.output
    assert ", 0 differences." in CliRunner().invoke(app, ["fsck"]).output
    registered = [fact["subjects"] for fact in told(embedded) if fact["kind"] == "registered"]
    assert len(registered) == len(set(registered)) == 600
