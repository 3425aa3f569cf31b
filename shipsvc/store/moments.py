"""Clauses for the moment that a question is about: what was known then, and which spans held.

``When.known_on`` is FOREVER where all that is recorded counts; that is not the same as "now", since a transaction that
ends in this very instant may have recorded a little later than the clock says.
"""

from datetime import datetime

import sqlalchemy as sa

from shipsvc.store import spans
from shipsvc.store.documents import When
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER


def known(
    known_from: sa.ColumnElement[datetime], known_to: sa.ColumnElement[datetime], when: When
) -> sa.ColumnElement[bool]:
    """A clause: the row with these columns was known on ``when.known_on``."""
    if when.known_on == FOREVER:
        return known_to == FOREVER
    return sa.and_(known_from <= when.known_on, known_to > when.known_on)


def holding(when: When, now: datetime) -> sa.ColumnElement[bool]:
    """A clause: the span of an item that holds; about now it reads only what is live."""
    if when.known_on == FOREVER and when.as_of >= now:
        return spans.at(when.as_of, None)
    return sa.and_(
        SPAN.c.from_at <= when.as_of, SPAN.c.to_at > when.as_of, known(SPAN.c.known_from, SPAN.c.known_to, when)
    )
