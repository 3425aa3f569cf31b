"""From what the application found about cases to what is answered."""

from datetime import datetime
from typing import Any

from shipsvc.app import cases
from shipsvc.app.cases import Case
from shipsvc.domain import codes
from shipsvc.domain.times import format_instant
from shipsvc.store.engine import Row
from shipsvc.web.answered import of_moment
from shipsvc.web.case_schemas import CaseRow, CaseShown, EntryShown
from shipsvc.web.deps import Work
from shipsvc.web.schemas import Moments

#: For the owner's eyes, or answered in another form.
_OTHERWISE = {"opened_by"}


def case(work: Work, found: Case, moments: Moments, now: datetime) -> CaseShown:
    """One case with what was said in it."""
    return CaseShown(
        **_own(found.row),
        **of_moment(moments, now),
        items=[codes.display(number) for number in found.items],
        overdue=found.is_overdue(moments.as_of or now),
        entries=[_entry(work, entry) for entry in found.entries],
    )


def row(found: Case) -> CaseRow:
    """One case as a row of a file."""
    said = [f"{format_instant(entry['said_at'])} {entry['acting_for']}: {entry['what']}" for entry in found.entries]
    return CaseRow(**_own(found.row), items=[codes.display(number) for number in found.items], said=said)


def _own(row: Row) -> dict[str, Any]:
    own = {name: value for name, value in row.items() if name not in _OTHERWISE}
    return {**own, "opened_by": row["opened_by"] or None}


def _entry(work: Work, entry: Row) -> EntryShown:
    members = {name: entry[name] for name in ("line", "said_at", "recorded_at", "acting_for", "what", "shared")}
    missing = sorted(cases.missing_files(work.connection, entry))
    return EntryShown(**members, by=entry["actor"], files_sha256=entry["files"], files_missing=missing)
