"""First pages of reports walk one index in the order of the page, on both databases (design section 7).

What EXPLAIN says is asked, not the clock. SQLite's planner knows no sizes here, so its own choice is the test. On
PostgreSQL a table of some thousand rows may well be read another way, so ways that need all rows first (sorting, a
bitmap, the whole table) are switched off: what is left must be the index, without a Sort.
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler

from shipsvc.store import reads, reads_record, requests
from shipsvc.store.engine import Database
from shipsvc.store.reads import Lines, Moment
from shipsvc.store.tables import table
from shipsvc.store.tables_derived import ItemSpan
from tests.conftest import BOTH
from tests.crowd import NOW, PAST, fill, move, owner_of, weigh
from tests.databases import copied, opened, throwaway

WHENS = {
    "now": Moment(NOW, None, is_now=True),
    "as of": Moment(PAST, None, is_now=False),
    "known on": Moment(PAST, PAST + timedelta(days=1), is_now=False),
}
#: Which statement, the index for now, the index for the past.
FIRST_PAGES: dict[str, tuple[Any, str, str]] = {
    "outstanding, lender": (lambda w: reads.lines_out(w, Lines("MUS"), "", 101), "lender_now", "lender_past"),
    "outstanding, borrower": (
        lambda w: reads.lines_out(w, Lines(borrower="LAB07"), "", 101),
        "borrower_now",
        "borrower_past",
    ),
    "outstanding, both": (
        lambda w: reads.lines_out(w, Lines("MUS", "LAB07"), "", 101),
        "borrower_now",
        "borrower_past",
    ),
    "overdue, lender": (
        lambda w: reads.lines_overdue(w, Lines("DVM"), None, 101),
        "lender_due_now",
        "lender_late",
    ),
    "overdue, borrower": (
        lambda w: reads.lines_overdue(w, Lines(borrower="LAB07"), None, 101),
        "borrower_due_now",
        "borrower_late",
    ),
    "holdings": (lambda w: reads.held_certainly(w, "MUS", "", 101), "holder_now", "holder_past"),
    "holdings, owner asks": (
        lambda w: reads.held_certainly(w, "LAB07", "", 101, reads.owned_by(["MUS"])),
        "holder_now",
        "holder_past",
    ),
    "holdings, claimed": (
        lambda w: reads.held_by_claim(w, "LAB07", "", 101),
        "claimant_now",
        "claimant_past",
    ),
    "open handovers": (lambda w: reads.open_handovers(w, "", 101), "open_now", "open_past"),
}
READ = (
    *("item", "from_at", "to_at", "known_from", "known_to", "holder", "claimant"),
    *("handover", "lender", "borrower", "line", "due_at"),
)
CASES = [(report, when) for report in FIRST_PAGES for when in WHENS]


class _Explained(sa.Executable, sa.ClauseElement):
    """EXPLAIN of a statement, with its parameters bound as the statement's own would be."""

    inherit_cache = False

    def __init__(self, statement: sa.Select[Any]) -> None:
        self.statement = statement


@compiles(_Explained)
def _explain(element: _Explained, compiler: SQLCompiler, **how: Any) -> str:
    start = "EXPLAIN QUERY PLAN " if compiler.dialect.name == "sqlite" else "EXPLAIN "
    return start + compiler.process(element.statement, **how)


def plan(connection: sa.Connection, statement: sa.Select[Any]) -> str:
    """What the database says it would do."""
    found = connection.execute(_Explained(statement)).all()
    return "\n".join(str(row[3] if connection.dialect.name == "sqlite" else row[0]) for row in found)


@pytest.fixture(scope="module", params=BOTH)
def crowd(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Two thousand items with seven years of lending, with statistics, once on each kind of database."""
    if request.param == "sqlite":
        template = request.getfixturevalue("sqlite_template")
        with opened(copied(template, tmp_path_factory.mktemp("crowd") / "crowd.sqlite3")) as database:
            fill(database, 2)
            weigh(database, 2)
            move(database, 2)
            yield database
        return
    server, template = (request.getfixturevalue(f"postgres_{name}") for name in ("server", "template"))
    with throwaway(server, template) as (_, url), opened(url) as database:
        fill(database, 2)
        weigh(database, 2)
        move(database, 2)
        yield database


@pytest.fixture
def connection(crowd: Database) -> Iterator[sa.Connection]:
    """A connection on which PostgreSQL may not read everything first."""
    with crowd.engine.connect() as found:
        if not crowd.is_sqlite:
            for way in ("sort", "bitmapscan", "seqscan"):
                found.exec_driver_sql(f"SET LOCAL enable_{way} = off")
        yield found


@pytest.mark.parametrize(("report", "when"), CASES)
def test_a_first_page_walks_its_index(connection: sa.Connection, report: str, when: str) -> None:
    """The index that is meant, in its order, and nothing sorted; about now only the index of what is live."""
    make, index_now, index_past = FIRST_PAGES[report]
    said = plan(connection, make(WHENS[when]))

    assert f"ix_item_span_{index_now if when == 'now' else index_past}" in said, said
    assert "SCAN item_span" not in said, said
    assert "Seq Scan on item_span" not in said, said
    assert "B-TREE" not in said, said
    assert "Sort" not in said, said


@pytest.mark.parametrize("when", WHENS)
def test_the_next_page_goes_on_in_the_index(connection: sa.Connection, when: str) -> None:
    """A page behind a key begins there: the key is part of what is looked up, not of what is thrown away."""
    moment = WHENS[when]
    said = plan(connection, reads.lines_out(moment, Lines("MUS"), "QRS0001500", 101))
    late = plan(connection, reads.lines_overdue(moment, Lines("MUS"), (PAST, "QRS0001500"), 101))

    expected = ("item>?", "due_at<?") if connection.dialect.name == "sqlite" else ("item)::text >", "due_at <")
    assert expected[0] in said, said
    assert expected[1] in late, late


@pytest.mark.parametrize("when", WHENS)
@pytest.mark.parametrize(
    ("verdict", "indexes"), [(None, "differs"), ("unexplained_loss", "verdict differs"), ("all", "item")]
)
@pytest.mark.parametrize("after", [None, ("QRS0001500", PAST, "")], ids=["first", "next"])
def test_a_page_of_weighings_walks_its_index(
    connection: sa.Connection, verdict: str | None, indexes: str, after: Any, when: str
) -> None:
    """Of a million weighings a page of those that differ reads those that differ, in their order, and no more."""
    owned = reads_record.weighed_or_owned(["TRP"])
    said = plan(connection, reads_record.comparisons(WHENS[when], verdict, owned, after, 101))

    assert any(f"ix_comparison_{index}" in said for index in indexes.split()), said
    assert "hashed" not in said, said
    assert "B-TREE" not in said, said
    assert "Sort" not in said, said


@pytest.mark.parametrize("when", WHENS)
@pytest.mark.parametrize(("mine", "other"), [("to", "from"), ("from", "to")])
def test_the_accession_is_added_up_from_what_was_taken_in(
    connection: sa.Connection, mine: str, other: str, when: str
) -> None:
    """A reserve is reckoned under a lock: of all moves it reads those that take something in, one in ten here."""
    said = plan(connection, requests.taken_in("QRS", WHENS[when], mine, other))

    assert "ix_mass_move_taken_in" in said, said
    assert "SCAN mass_move\n" not in f"{said}\n", said
    assert "Seq Scan on mass_move" not in said, said


@pytest.fixture(scope="module")
def everything(crowd: Database) -> list[dict[str, Any]]:
    """Every span there is."""
    columns = [table(ItemSpan).c[name] for name in READ]
    with crowd.engine.connect() as connection:
        return [dict(row) for row in connection.execute(sa.select(*columns)).mappings()]


@pytest.mark.parametrize(("report", "when"), CASES)
def test_the_page_is_what_a_scan_would_find(
    connection: sa.Connection, everything: list[dict[str, Any]], report: str, when: str
) -> None:
    """The same rows as by a plain reading of the whole table in this test's own words."""
    moment = WHENS[when]
    found = [row.item for row in connection.execute(FIRST_PAGES[report][0](moment))]

    expected = by_reading_all(everything, report, moment)
    assert found == expected[:101]
    assert expected or report in {"holdings, claimed", "open handovers"}


def by_reading_all(everything: list[dict[str, Any]], report: str, moment: Moment) -> list[str]:
    """The items of a report, from every span there is."""
    known = moment.known_on or NOW
    spans = [
        row
        for row in everything
        if row["from_at"] <= moment.as_of < row["to_at"] and row["known_from"] <= known < row["known_to"]
    ]
    out = [row for row in spans if row["line"] in {"sent", "held", "part_used", "returning"}]
    late = [row for row in out if row["due_at"] <= moment.as_of]
    late.sort(key=lambda row: (row["due_at"], row["item"]), reverse=True)
    chosen = {
        "outstanding, lender": [row for row in out if row["lender"] == "MUS"],
        "outstanding, borrower": [row for row in out if row["borrower"] == "LAB07"],
        "outstanding, both": [row for row in out if (row["lender"], row["borrower"]) == ("MUS", "LAB07")],
        "overdue, lender": [row for row in late if row["lender"] == "DVM"],
        "overdue, borrower": [row for row in late if row["borrower"] == "LAB07"],
        "holdings": [row for row in spans if row["holder"] == "MUS"],
        "holdings, owner asks": [row for row in spans if row["holder"] == "LAB07" and owner_of(row["item"]) == "MUS"],
        "holdings, claimed": [row for row in spans if row["claimant"] == "LAB07"],
        "open handovers": [row for row in spans if row["handover"] == "giver_only"],
    }[report]
    return [row["item"] for row in (chosen if "overdue" in report else sorted(chosen, key=lambda row: row["item"]))]
