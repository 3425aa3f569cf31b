"""The first page of discrepancies, of ten weighings an item: one in a hundred is a loss, the others agree."""

from collections.abc import Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from shipsvc.app import report_pages, reports_record
from shipsvc.domain.times import format_instant
from shipsvc.web.deps import Work
from tests import crowd
from tests.bench import sizes
from tests.bench.bases import Base
from tests.bench.crowds import OWNER, READER
from tests.bench.first_pages import PAGE, WHENS
from tests.bench.sizes import Question
from tests.bench.table import Row
from tests.databases import opened
from tests.web.service import running

VERDICTS: Final[dict[str, str | None]] = {"differs": None, "unexplained_loss": "unexplained_loss", "all": "all"}


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """Three lists, three moments each, for the owner's clerk; a million weighings in the larger collection."""
    questions = [_question(name, when) for name in VERDICTS for when in WHENS]
    thousands, times = ((1, 5), 10) if quick else ((10, 100), 40)
    yield from sizes.grown(base, folder, questions, thousands=thousands, times=times, aim="<= 1.5", fill=weighed)


@cache
def weighed(base: Base, thousands: int) -> str:
    """The URL of a database with so many thousand items as they are now, each weighed ten times; made once."""
    url = base.made()
    with running(url) as service:
        service.add(READER, (OWNER, "clerk"))
    with opened(url) as database:
        crowd.fill(database, thousands, lean=True)
        crowd.weigh(database, thousands)
    return url


def _question(name: str, when: str) -> Question:
    verdict = VERDICTS[name]
    moments = {member: format_instant(at) for member, at in WHENS[when].items()}
    query = urlencode({"limit": PAGE, **({"verdict": verdict} if verdict else {}), **moments})
    said = f"discrepancies ({name}), {when}: p95, in process · HTTP"
    return Question(said, [partial(_ask, verdict, WHENS[when])], [f"/v1/reports/mass-discrepancies?{query}"])


def _ask(verdict: str | None, when: dict[str, Any], work: Work) -> int:
    asked = report_pages.asked(when.get("as_of"), when.get("known_on"), work.now())
    found = reports_record.mass_discrepancies(work.connection, work.actor, asked, None, PAGE + 1, verdict=verdict)
    assert found, "there is nothing to measure"
    return len(found)
