"""Requests for material and what was promised on them: chains of versions, as other documents are."""

from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Field

from shipsvc.store.tables import Chain, big, one_of

REQUEST_STATUSES = ("in_review", "approved", "refused", "withdrawn", "fulfilled")
PROMISE_STATES = ("promised", "freed", "cut")


class Request(Chain, table=True):
    """That an institution asks for material of a collection: how many pieces, each of how much, of which samples if it
    says (a JSON list of numbers), what for, and what was decided."""

    __tablename__ = "request"
    collection: str = Field(index=True)
    institution: str = Field(index=True)
    responsible: str
    what: str
    samples: str
    pieces: int
    wanted_ng: int | None = big()
    least_ng: int | None = big()
    purpose: str
    destructive: bool
    status: str
    __table_args__ = (
        one_of("status", REQUEST_STATUSES),
        sa.CheckConstraint("pieces > 0 AND wanted_ng > 0 AND least_ng > 0 AND least_ng <= wanted_ng", name="sound"),
    )


class Promise(Chain, table=True):
    """That a mass of a sample is promised on a request (None: the thing as it is, which lowers no book), until it is
    freed, runs out at ``expires_at``, or a piece was cut for it, whose mass then counts instead."""

    __tablename__ = "promise"
    request: str
    line: int
    collection: str = Field(index=True)
    sample: str = Field(index=True)
    mass_ng: int | None = big()
    expires_at: datetime | None = None
    state: str
    piece: str | None = None
    cut_ng: int | None = big()
    __table_args__ = (
        one_of("state", PROMISE_STATES),
        sa.CheckConstraint("mass_ng > 0", name="above_zero"),
        sa.CheckConstraint("(state = 'cut') = (piece IS NOT NULL)", name="cut_has_piece"),
        sa.Index("ix_promise_request", "request", "line"),
    )
