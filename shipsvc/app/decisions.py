"""Decisions of ours on their way into the log of facts, where they are told like everything else."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from shipsvc.app.told import Told, When
from shipsvc.domain import errors
from shipsvc.domain.facts import Named
from shipsvc.domain.times import format_instant

#: A clock that is a little ahead of ours is no lie.
AHEAD_TOLERATED = timedelta(minutes=2)


@dataclass(frozen=True)
class Decided:
    """When a decision about a document was taken (now, if None), and why."""

    because: str
    at: datetime | None = None

    def taken_at(self, now: datetime, pointer: str) -> datetime:
        """When it was taken; Malformed, said of the member at ``pointer``, where that is still to come."""
        if self.at is not None and self.at > now + AHEAD_TOLERATED:
            raise errors.Malformed(why="a decision cannot be told before it is taken", pointer=pointer)
        return self.at or now


@dataclass(frozen=True)
class Decision:
    """What every decision says: its id in the log, why, when it was taken (now, if None) and who says so."""

    id: str
    because: str
    at: datetime | None = None
    source: str = "typed"

    def taken_at(self, now: datetime, pointer: str) -> datetime:
        """When it was taken; Malformed, said of the member at ``pointer``, where that is still to come."""
        if self.at is not None and self.at > now + AHEAD_TOLERATED:
            raise errors.Malformed(why="a decision cannot be told before it is taken", pointer=pointer)
        return self.at or now

    def told(
        self, kind: str, items: Iterable[str], acting_for: str, taken_at: datetime, body: Mapping[str, Any]
    ) -> Told:
        """The decision as a fact. All that was said is in the request, which makes its identity."""
        subjects = tuple(Named(number) for number in sorted(items))
        raw, source = format_instant(taken_at), self.source if self.at else "server"
        said = {**body, "because": self.because}
        request = {
            "id": self.id,
            "kind": kind,
            "subjects": [named.number for named in subjects],
            "time": {"raw": raw, "source": source},
            "acting_for": acting_for,
            "body": said,
        }
        return Told(self.id, kind, subjects, When(raw, source), acting_for, said, request)
