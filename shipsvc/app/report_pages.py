"""What all reports share: the moments they are about, the rows of a page, and how several finds become one page."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents
from shipsvc.domain.successions import Heirs
from shipsvc.store import successions
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.reads import Moment
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER

Key = tuple[str, ...]


@dataclass(frozen=True)
class Entry:
    """One row of a report, and the key that it stands at in the order of the report."""

    key: Key
    fields: dict[str, Any]


@dataclass(frozen=True)
class Asked:
    """The moments of a question: what is answered, with ``known_on`` the last moment that counts.

    ``provisional``: a transaction that still runs could change what was known then (D4).
    """

    as_of: datetime
    known_on: datetime
    provisional: bool
    moment: Moment

    @property
    def pinned(self) -> "Asked":
        """The same, to be asked again later: what is recorded meanwhile changes nothing of it."""
        return Asked(self.as_of, self.known_on, self.provisional, Moment(self.as_of, self.known_on, is_now=False))


def asked(as_of: datetime | None, known_on: datetime | None, now: datetime) -> Asked:
    """The moments asked about: now, and all that is recorded, unless given.

    Known on a moment still to come is all that is recorded too. An answer without ``known_on`` names the present, of
    which more may still be recorded, so it is provisional as well.
    """
    at, known = as_of or now, known_on or now
    moment = Moment(at, known_on if known_on is not None and known_on < now else None, is_now=at >= now)
    return Asked(at, known, documents.is_provisional(known, now), moment)


def heirs(connection: sa.Connection, asked: Asked) -> Heirs:
    """Who answers for whom at the moment asked about, by what was known then."""
    return successions.heirs(connection, When(asked.as_of, asked.moment.known_on or FOREVER))


def merged(
    connection: sa.Connection,
    statements: Iterable[sa.Select[Any]],
    key: Callable[[Row], Any],
    limit: int,
    *,
    descending: bool = False,
) -> Sequence[Row]:
    """The first rows of what several statements find, each in the order of ``key``; what two of them find counts once.

    Apart rather than as a UNION, since each then has a plan of its own, which walks one index.
    """
    found: dict[Any, Row] = {}
    for wanted in statements:
        found |= {key(row): row for row in rows(connection, wanted)}
    return [found[k] for k in sorted(found, reverse=descending)[:limit]]


def merged_by_item(connection: sa.Connection, statements: Iterable[sa.Select[Any]], limit: int) -> Sequence[Row]:
    """The same in the order of items. Once a page is full, no statement looks beyond its last item.

    Without that bound a claim that few items have now but many had would be looked for among all of those.
    """
    found: dict[str, Row] = {}
    for wanted in statements:
        full = sorted(found)[limit - 1 : limit]
        bounded = wanted.where(SPAN.c.item <= full[0]) if full else wanted
        found |= {row["item"]: row for row in rows(connection, bounded)}
    return [found[item] for item in sorted(found)[:limit]]


def seconds(length: timedelta) -> int:
    """Whole seconds of a length of time."""
    return int(length.total_seconds())
