"""``python -m tests.bench``: how fast the service is, in ratios to a baseline that runs beside it (design section 7).

Figures of one machine swing by a factor of two from run to run; ratios within one run say something. Nothing is
asserted: a run ends with a table. The statements are the same at each run; the times are not.
"""

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from time import perf_counter

import psycopg

from tests.bench import (
    batch,
    bring_in,
    discrepancies,
    first_pages,
    history,
    live_sensor,
    long_series,
    machine,
    one_event,
    overpack,
    pages,
)
from tests.bench.bases import DURABLE, Base, PostgreSql, Sqlite
from tests.bench.table import Row, markdown
from tests.bench.wire import Refused
from tests.postgres import libpq_url, running

Measure = Callable[..., Iterator[Row]]
ROWS: dict[str, Measure] = {
    "one-event": one_event.measured,
    "batch": batch.measured,
    "overpack": overpack.measured,
    "first-page": first_pages.measured,
    "discrepancies": discrepancies.measured,
    "history": history.measured,
    "pages": pages.measured,
    "import": bring_in.measured,
    "readings": long_series.measured,
    "live": live_sensor.measured,
}


def main() -> None:
    """Measure what was asked for and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller collections, fewer turns: under a minute")
    parser.add_argument("--only", choices=ROWS, help="one of the rows")
    parser.add_argument("--postgres", action="store_true", help="on PostgreSQL as well as on SQLite")
    asked = parser.parse_args()
    chosen = {name: row for name, row in ROWS.items() if asked.only in (None, name)}
    with tempfile.TemporaryDirectory(prefix="shipsvc-bench-") as folder:
        here = machine.described(machine.sqlite_version())
        print(here, flush=True)
        found = _all(chosen, Sqlite(Path(folder)), Path(folder), quick=asked.quick)
        if asked.postgres:
            with _postgresql() as base:
                found += _all(chosen, base, Path(folder), quick=asked.quick)
    print(f"\n{markdown(found)}")


def _all(chosen: dict[str, Measure], base: Base, folder: Path, *, quick: bool) -> list[Row]:
    found: list[Row] = []
    for name, row in chosen.items():
        started = perf_counter()
        try:
            found += row(base, folder, quick=quick)
        except Refused as refused:
            # On a machine that is far too busy a batch may take longer than a write may; the others still count.
            found.append(Row(name, base.name, f"refused: {str(refused)[:60]!r}", "", "", ""))
        print(f"{name} on {base.name}: {perf_counter() - started:.0f} s", file=sys.stderr, flush=True)
    return found


@contextmanager
def _postgresql() -> Iterator[PostgreSql]:
    with running() as server, ExitStack() as stack:
        server.settings(*DURABLE)
        with psycopg.connect(libpq_url(server.admin_url)) as connection:
            version, folder = connection.execute("SELECT version(), current_setting('data_directory')").fetchone() or ()
        print(
            f"{version.partition(' on ')[0]}, fsync on,"
            f" data in {'memory' if folder.startswith('/dev/shm') else 'files'}"
        )
        yield PostgreSql(server, stack)


if __name__ == "__main__":
    main()
