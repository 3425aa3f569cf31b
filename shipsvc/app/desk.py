"""What needs somebody today that no report of the API has: cases that nobody has decided, words told late lately."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import alarms, cases, documents, reports_record
from shipsvc.app.access import Actor
from shipsvc.app.cases import Case
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain import codes
from shipsvc.domain.cases import UNDECIDED

#: Cases that are looked at in each state, of which the first to be decided come first.
CASES_MAX: Final = 500
#: What was told late before this is no news.
NEWS: Final = timedelta(days=14)


def undecided_cases(
    connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int
) -> list[Entry]:
    """Cases that nobody has decided, the first to be decided first."""
    when = documents.asked(asked.as_of, asked.moment.known_on, asked.as_of)
    found = [
        case
        for state in sorted(UNDECIDED)
        for case in cases.page(connection, actor, asked.known_on, when, state=state, limit=CASES_MAX)
    ]
    entries = sorted((_case(case, asked) for case in found), key=lambda entry: entry.key)
    return [entry for entry in entries if after is None or entry.key > after][:limit]


def _case(case: Case, asked: Asked) -> Entry:
    row: Mapping[str, Any] = case.row
    named = ("code", "kind", "what", "state", "owner", "decide_by", "found_at")
    fields = {name: row[name] for name in named}
    fields |= {"items": [codes.display(number) for number in case.items], "overdue": case.is_overdue(asked.as_of)}
    return Entry((row["decide_by"].isoformat(), row["code"]), fields)


def told_late_lately(
    connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int
) -> list[Entry]:
    """What was told late within the last two weeks, the last told first."""
    found = reports_record.told_late(connection, actor, asked, after, limit)
    return [entry for entry in found if entry.fields["recorded_at"] > asked.as_of - NEWS]


def sensor_alarms(connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int) -> list[Entry]:
    """Places beyond the limits of their profile within the last day, and sensors that are silent. Shipments without
    word have a table of their own."""
    found = alarms.alarms(connection, actor, asked, None, alarms.EVERY)
    told = [entry for entry in found if entry.fields["kind"] != "no_word"]
    return [entry for entry in told if after is None or entry.key > after][:limit]
