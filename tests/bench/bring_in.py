"""An old ledger brought in by the command: how long it takes, and the most memory that it held."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests import ledger
from tests.bench.bases import Base
from tests.bench.table import Row
from tests.web.service import running


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """The whole command in a process of its own; beside it the same on a tenth of the rows, to see how it grows."""
    sizes = (10_000, 1_000) if quick else (100_000, 10_000)
    (many_s, many_mb), (few_s, few_mb) = (_brought_in(base, folder, rows) for rows in sizes)
    yield Row(
        f"import of {sizes[0]:,} rows",
        base.name,
        f"{many_s:.0f} s, {sizes[0] / many_s:.0f} rows/s, {many_mb:.0f} MB",
        f"{few_s:.0f} s, {sizes[1] / few_s:.0f} rows/s, {few_mb:.0f} MB ({sizes[1]:,} rows)",
        f"time {many_s / few_s:.1f}, memory {many_mb / few_mb:.2f}",
        "memory bounded",
    )


def _brought_in(base: Base, folder: Path, rows: int) -> tuple[float, float]:
    url = base.made()
    with running(url) as service:
        ledger.furnish(service)
    path = ledger.written(folder / f"ledger-{rows}.csv", ledger.rows(rows))
    program = [sys.executable, "-c", "from shipsvc.cli import app; app()"]
    # Linux carries the peak of a process over into what it becomes: a small one between keeps this one's out of it.
    command = ["sh", "-c", '"$@"; exit $?', "sh", *program, "import", str(path), "--as", "keeper", "--for", "TRP"]
    surroundings = {**os.environ, "SHIPSVC_DATABASE_URL": url}
    said = subprocess.run(command, env=surroundings, stdout=subprocess.PIPE, text=True, check=True).stdout
    print(said, flush=True)
    seconds, peak_mb = re.findall(r"([0-9.]+) s, peak memory ([0-9]+) MB", said)[0]
    return float(seconds), float(peak_mb)
