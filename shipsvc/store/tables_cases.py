"""Cases: chains of versions, as other documents are, with what each is about, what was said in it, and its files."""

from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from shipsvc.store.tables import Chain, one_of

CASE_KINDS = (
    "loss",
    "suspected_theft",
    "damage",
    "contamination",
    "seal",
    "environment",
    "exposure",
    "misdelivery",
    "mass",
    "swap",
    "label",
    "papers",
    "near_miss",
)
CASE_STATES = ("open", "contained", "decided", "closed")


class CaseRecord(Chain, table=True):
    """That something went wrong, or may have: what, found when, when it must have happened, and what was decided.

    ``owner`` owns what it is about and decides; ``opened_by`` is the institution that told of it, or "" where a
    ``rule`` did (``CaseCause``). An ``internal`` one is the owner's own affair.
    """

    __tablename__ = "case_record"
    owner: str = Field(index=True)
    opened_by: str = Field(index=True)
    rule: str | None = None
    kind: str
    what: str
    loan: str | None = Field(default=None, index=True)
    found_at: datetime
    happened_from: datetime | None = None
    happened_to: datetime | None = None
    state: str
    hold: bool
    internal: bool
    decide_by: datetime
    cause: str | None = None
    decision: str | None = None
    __table_args__ = (
        one_of("kind", CASE_KINDS),
        one_of("state", CASE_STATES),
        sa.CheckConstraint("(state IN ('decided', 'closed')) = (decision IS NOT NULL)", name="decision_said"),
        sa.CheckConstraint("happened_to >= happened_from", name="interval"),
    )


class CaseCause(SQLModel, table=True):
    """That a case is there for a cause that a rule found, from when it was opened or later: a log. One cause is of one
    case of each owner, whatever became of that. ``person`` is named by id in what the rule said of it."""

    __tablename__ = "case_cause"
    rule: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    owner: str = Field(primary_key=True)
    case_code: str = Field(index=True)
    person: str | None = None
    recorded_at: datetime
    actor: str


class CaseItem(SQLModel, table=True):
    """That a case is about a thing, from a moment on: a log."""

    __tablename__ = "case_item"
    case_code: str = Field(primary_key=True)
    item: str = Field(primary_key=True, index=True)
    from_at: datetime
    recorded_at: datetime
    actor: str


class CaseEntry(SQLModel, table=True):
    """What somebody said in a case, for which institution; ``shared`` with all who may see the case: a log."""

    __tablename__ = "case_entry"
    case_code: str = Field(primary_key=True)
    line: int = Field(primary_key=True)
    said_at: datetime
    recorded_at: datetime
    actor: str
    acting_for: str
    what: str
    shared: bool


class CaseFile(SQLModel, table=True):
    """That an entry names an evidence file: a log."""

    __tablename__ = "case_file"
    case_code: str = Field(primary_key=True)
    line: int = Field(primary_key=True)
    sha256: str = Field(primary_key=True, index=True)
    actor: str
