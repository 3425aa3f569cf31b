"""The first page of what is outstanding, overdue, held: now, at a past moment, and as it was known at one."""

from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from shipsvc.app import report_pages, reports
from shipsvc.domain.times import format_instant
from shipsvc.web.deps import Work
from tests import crowd
from tests.bench import sizes
from tests.bench.bases import Base
from tests.bench.crowds import BORROWER, OWNER
from tests.bench.sizes import Question
from tests.bench.table import Row

#: A page, and the one row more that tells whether there is another.
PAGE: Final = 100
KNOWN_ON: Final = crowd.PAST + timedelta(days=1)
WHENS: Final[dict[str, dict[str, Any]]] = {
    "now": {},
    "as of": {"as_of": crowd.PAST},
    "as known on": {"as_of": crowd.PAST, "known_on": KNOWN_ON},
}
REPORTS: Final[dict[str, tuple[Any, str, dict[str, str]]]] = {
    "outstanding": (reports.outstanding, "outstanding-loans", {}),
    "overdue": (reports.overdue, "overdue", {}),
    "own holdings": (reports.holdings, "holdings", {"institution": OWNER}),
    "a borrower's holdings": (reports.holdings, "holdings", {"institution": BORROWER}),
}


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """Four reports, three moments each, for a lender's clerk."""
    questions = [_question(report, when) for report in REPORTS for when in WHENS]
    thousands, times = ((1, 5), 10) if quick else ((10, 100), 40)
    return sizes.grown(base, folder, questions, thousands=thousands, times=times, aim="<= 1.5")


def _question(report: str, when: str) -> Question:
    read, path, filters = REPORTS[report]
    moments = {name: format_instant(at) for name, at in WHENS[when].items()}
    query = urlencode({"limit": PAGE, **filters, **moments})
    name = f"{report}, {when}: p95, in process · HTTP"
    return Question(name, [partial(_ask, read, filters, WHENS[when])], [f"/v1/reports/{path}?{query}"])


def _ask(read: Any, filters: dict[str, str], when: dict[str, Any], work: Work) -> int:
    asked = report_pages.asked(when.get("as_of"), when.get("known_on"), work.now())
    found = read(work.connection, work.actor, asked, None, PAGE + 1, **filters)
    assert found, "there is nothing to measure"
    return len(found)
