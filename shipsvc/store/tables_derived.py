"""What is derived from the logs and can be written anew from them at any time (``shipsvc fsck`` compares).

Spans are bitemporal: they say what held from when to when, as known from when to when. ``live`` is 1 for what is
known now and had not ended when it was written: the small part of a span table that questions about now read.
"""

from datetime import date, datetime

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from shipsvc.store.tables import FORMS, ITEM_KINDS, big, one_of, partial

HANDOVERS = (
    "none",
    "agreed",
    "giver_only",
    "taker_only",
    "declared",
    "disputed",
    "rejected",
    "held",
    "ended",
)
OPEN_HANDOVERS = ("giver_only", "taker_only", "declared", "disputed", "held", "rejected")
STATUSES = ("unknown", "stored", "taken_out", "packed", "in_transit", "received", "ended")
LINES = ("none", "promised", "sent", "held", "part_used", "returning", "returned", "used_up", "lost_decided")
OUT_LINES = ("sent", "held", "part_used", "returning")
ACCOUNTS = (
    "origin",
    "sample",
    "used_weighed",
    "used_estimated",
    "worked_loss",
    "embedded",
    "unexplained",
    "written_off",
    "rebasis",
)
#: What a page of discrepancies is made of: few among many weighings.
DIFFERS_SQL = "verdict <> 'agrees'"
#: What a posting moves, of which drift is made.
UNEXPLAINED_SQL = "from_account = 'unexplained' OR to_account = 'unexplained'"
#: What was taken in, and what a re-basis made of it: a few moves a sample, whatever is done to it later.
TAKEN_IN_SQL = "from_account IN ('origin', 'rebasis') OR to_account IN ('origin', 'rebasis')"
OPEN_SQL = f"({', '.join(repr(s) for s in OPEN_HANDOVERS)})"
OUT_SQL = f"({', '.join(repr(s) for s in OUT_LINES)})"
#: A span of a line that is out and outlasts its due date: the only ones that were ever overdue.
LATE_SQL = "to_at > due_at"
#: Always true, and said only by questions that are not about now: so that those about now are not answered from the
#: far larger indexes of the past. SQLite, which takes a partial index only by its very words, would prefer those.
#: Of a column that never changes: SQLite writes an index anew whenever a column in its condition is set.
EVER_SQL = "item <> ''"


class Item(SQLModel, table=True):
    """A container, parcel or sample. Provisional until its registration is told."""

    __tablename__ = "item"
    number: str = Field(primary_key=True)
    kind: str
    form: str
    owner: str
    collection: str | None = None
    what: str = ""
    provisional: bool
    newest_recorded_at: datetime
    __table_args__ = (
        one_of("kind", ITEM_KINDS),
        one_of("form", FORMS),
        sa.Index("ix_item_owner", "owner", "number"),
    )


class NumberCounter(SQLModel, table=True):
    """The last serial number given out under a prefix."""

    __tablename__ = "number_counter"
    prefix: str = Field(primary_key=True)
    owner: str
    last_serial: int


class ItemParty(SQLModel, table=True):
    """That an institution has, or had, to do with an item, and when the last of that ends as known now."""

    __tablename__ = "item_party"
    item: str = Field(primary_key=True)
    institution: str = Field(primary_key=True)
    until: datetime
    __table_args__ = (sa.Index("ix_item_party_institution", "institution", "item"),)


class EventItem(SQLModel, table=True):
    """Which facts bear on which item, in the version now in force: a finding aid for the fold."""

    __tablename__ = "event_item"
    item: str = Field(primary_key=True)
    event_id: str = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    known_to: datetime
    source_id: str
    happened_at: datetime
    kind: str
    __table_args__ = (
        sa.Index("ix_event_item_time", "item", "happened_at"),
        sa.Index("ix_event_item_event", "event_id"),
    )


class EventBalance(SQLModel, table=True):
    """Which facts and amendments name which balances: a finding aid for what a check of a balance judges anew."""

    __tablename__ = "event_balance"
    balance: str = Field(primary_key=True)
    event_id: str = Field(primary_key=True)


class ItemSpan(SQLModel, table=True):
    """All that is known of one item between two instants: what it is in, who holds it, where it is, its loan, its mass.

    One row for all of them (D3): one statement reads or writes the state of an item, and each report is one SELECT.
    ``event_id`` is the fact that began the span, ``by_item`` the nest it was told of ("" where it was the item).
    """

    __tablename__ = "item_span"
    item: str = Field(primary_key=True)
    from_at: datetime = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    to_at: datetime
    known_to: datetime
    live: int
    event_id: str
    by_item: str
    parent: str | None
    # Custody: parties as told ("LSC/mail-room"), and their institutions to search by.
    certain: str | None
    holder: str | None
    certain_since: datetime | None
    claimed: str | None
    claimant: str | None
    handover: str
    words: str
    sent_on: str | None
    # Whereabouts.
    place: str | None
    status: str
    accessioned: bool
    # Loan line; ``terms`` holds what only the fold needs of it.
    loan: str | None
    lender: str | None
    borrower: str | None
    line: str
    line_since: datetime | None
    due_on: date | None
    due_at: datetime | None
    terms: str
    # Book mass in ng, its variance in ng^2 and the estimated part of that.
    mass_ng: int | None = big()
    variance: float
    estimated_variance: float
    how: str
    material: str
    moisture_class: str
    reserve: bool
    # What a sample is to be kept in, and whether the thing itself is closed.
    profile: str | None
    closed: bool
    #: What only the fold needs of how that mass is known.
    basis: str
    #: Of a container: what it weighed empty, when that was last told.
    tare: str
    __table_args__ = (
        partial("ix_item_span_holder_now", "live = 1", "holder", "item"),
        partial("ix_item_span_holder_past", EVER_SQL, "holder", "item", "from_at", "to_at"),
        partial("ix_item_span_claimant_now", "live = 1 AND claimant IS NOT NULL", "claimant", "item"),
        partial(
            "ix_item_span_claimant_past", f"{EVER_SQL} AND claimant IS NOT NULL", "claimant", "item", "from_at", "to_at"
        ),
        partial("ix_item_span_parent", "parent IS NOT NULL", "parent", "to_at"),
        partial("ix_item_span_place_now", "live = 1 AND place IS NOT NULL", "place", "item"),
        partial("ix_item_span_place_past", f"{EVER_SQL} AND place IS NOT NULL", "place", "item", "from_at", "to_at"),
        partial("ix_item_span_status_now", "live = 1", "status", "item"),
        partial("ix_item_span_lender_now", f"live = 1 AND line IN {OUT_SQL}", "lender", "item"),
        partial("ix_item_span_borrower_now", f"live = 1 AND line IN {OUT_SQL}", "borrower", "item"),
        partial("ix_item_span_lender_due_now", f"live = 1 AND line IN {OUT_SQL}", "lender", "due_at", "item"),
        partial("ix_item_span_borrower_due_now", f"live = 1 AND line IN {OUT_SQL}", "borrower", "due_at", "item"),
        partial("ix_item_span_due_now", f"live = 1 AND line IN {OUT_SQL}", "due_at", "item"),
        partial("ix_item_span_lender_past", f"{EVER_SQL} AND line IN {OUT_SQL}", "lender", "item", "from_at", "to_at"),
        partial(
            "ix_item_span_borrower_past", f"{EVER_SQL} AND line IN {OUT_SQL}", "borrower", "item", "from_at", "to_at"
        ),
        partial(
            "ix_item_span_lender_late",
            f"{EVER_SQL} AND line IN {OUT_SQL} AND {LATE_SQL}",
            "lender",
            "due_at",
            "item",
            "to_at",
        ),
        partial(
            "ix_item_span_borrower_late",
            f"{EVER_SQL} AND line IN {OUT_SQL} AND {LATE_SQL}",
            "borrower",
            "due_at",
            "item",
            "to_at",
        ),
        partial("ix_item_span_open_past", f"{EVER_SQL} AND handover IN {OPEN_SQL}", "item", "from_at", "to_at"),
        partial("ix_item_span_loan", "loan IS NOT NULL", "loan", "item", "from_at"),
        partial("ix_item_span_open_now", f"live = 1 AND handover IN {OPEN_SQL}", "item"),
        partial("ix_item_span_reserve", "reserve", "item", "from_at"),
        one_of("handover", HANDOVERS),
        one_of("status", STATUSES),
        one_of("line", LINES),
        sa.CheckConstraint("parent <> item", name="not_in_itself"),
        sa.CheckConstraint("to_at > from_at AND known_to > known_from", name="forward"),
    )


class Parentage(SQLModel, table=True):
    """That a sample was made from another, when, and with how much of its mass."""

    __tablename__ = "parentage"
    child: str = Field(primary_key=True)
    parent: str = Field(primary_key=True, index=True)
    event_id: str = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    known_to: datetime
    born_at: datetime
    mass_ng: int | None = big()


class Comparison(SQLModel, table=True):
    """A weighing held against the book, with its verdict."""

    __tablename__ = "comparison"
    item: str = Field(primary_key=True)
    event_id: str = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    known_to: datetime
    happened_at: datetime
    by_party: str
    expected_ng: int = big()
    observed_ng: int = big()
    u_ng: float
    r: float | None
    verdict: str
    marks: str = ""
    #: What the difference was corrected by for the air; E_n where both sides state U; dry, as_found or not told.
    buoyancy_ng: int = big(default=0)
    e_n: float | None = None
    dryness: str = ""
    #: That it is a sheet of a split that does not close, and no weighing.
    is_sheet: bool = False
    __table_args__ = (
        sa.Index("ix_comparison_item", "item", "happened_at", "event_id"),
        sa.Index("ix_comparison_verdict", "verdict", "item", "happened_at", "event_id"),
        partial("ix_comparison_differs", DIFFERS_SQL, "item", "happened_at", "event_id"),
    )


class MassMove(SQLModel, table=True):
    """A mass that an act moved out of one account into another (rulings 18): below zero or one-sided is no row.

    ``item`` is the sample whose book decides on the move; ``line`` counts those of one fact and item.
    """

    __tablename__ = "mass_move"
    item: str = Field(primary_key=True)
    event_id: str = Field(primary_key=True)
    line: int = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    known_to: datetime
    happened_at: datetime
    from_account: str
    from_item: str | None
    to_account: str
    to_item: str | None
    mass_ng: int = big()
    __table_args__ = (
        one_of("from_account", ACCOUNTS),
        one_of("to_account", ACCOUNTS),
        sa.CheckConstraint("mass_ng > 0", name="above_zero"),
        sa.CheckConstraint(
            "(from_account = 'sample') = (from_item IS NOT NULL) AND (to_account = 'sample') = (to_item IS NOT NULL)",
            name="samples_named",
        ),
        sa.CheckConstraint(
            "from_account <> to_account OR (from_item IS NOT NULL AND from_item <> to_item)", name="two_accounts"
        ),
        partial("ix_mass_move_from", "from_item IS NOT NULL", "from_item", "happened_at"),
        partial("ix_mass_move_to", "to_item IS NOT NULL", "to_item", "happened_at"),
        partial("ix_mass_move_unexplained", UNEXPLAINED_SQL, "item"),
        partial("ix_mass_move_taken_in", TAKEN_IN_SQL, "item", "happened_at"),
    )


class Flag(SQLModel, table=True):
    """Something about a fact that a person should look at; accepted all the same."""

    __tablename__ = "flag"
    item: str = Field(primary_key=True)
    event_id: str = Field(primary_key=True)
    code: str = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    known_to: datetime
    detail: str = ""
    __table_args__ = (
        sa.Index("ix_flag_event", "event_id"),
        partial("ix_flag_unconfirmed", "code = 'unconfirmed'", "known_to", "event_id"),
        partial("ix_flag_signed", "code IN ('one_device', 'signature_alone')", "known_to", "event_id"),
    )
