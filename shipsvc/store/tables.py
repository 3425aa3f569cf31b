"""The tables: facts that are only ever appended, chains of document versions, and what is derived from both.

Three sorts (DEVELOPERS.md, D10): a *log* refuses UPDATE and DELETE by trigger; a *chain* is a log of versions of one
document; a *derived* table can be emptied and written anew from the logs (``shipsvc fsck`` compares).
Instants are aware UTC. The end of an open span is FOREVER, never NULL, so that every question is one comparison.
"""

from datetime import UTC, date, datetime
from typing import Any

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

FOREVER = datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = SQLModel.metadata

PARTY_KINDS = ("lender", "borrower", "deposit", "courier", "authority", "requester", "other")
ITEM_KINDS = ("sample", "container", "parcel")
FORMS = ("material", "vial", "bag", "jar", "box", "overpack", "other")
ROLES = (
    "administrator",
    "analyst",
    "auditor",
    "clerk",
    "curator",
    "deputy",
    "device",
    "driver",
    "mail_room",
    "preparator",
    "receiver",
    "registrar",
    "responsible",
    "reviewer",
    "witness",
)


def table(model: type[SQLModel]) -> sa.Table:
    """The Core table behind a table class."""
    found: sa.Table = model.__table__  # type: ignore[attr-defined]  # SQLModel sets it at run time
    return found


def one_of(column: str, values: tuple[str, ...]) -> sa.CheckConstraint:
    """A CHECK that a short string is one of a closed list."""
    return sa.CheckConstraint(f"{column} IN ({', '.join(repr(v) for v in values)})", name=f"{column}_known")


def partial(name: str, where: str, *columns: str) -> sa.Index:
    """An index over the rows for which a condition holds, on both databases."""
    return sa.Index(name, *columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def big(**kwargs: Any) -> Any:
    """A 64-bit integer column: a mass in ng does not fit 32 bits."""
    return Field(sa_type=sa.BigInteger, **kwargs)


# ---------------------------------------------------------------------------------------------- chains of versions
class Chain(SQLModel):
    """Columns of every version row: which version, since when it holds, when and by whom it was told, and why."""

    code: str = Field(primary_key=True)
    version: int = Field(primary_key=True)
    valid_from: datetime
    recorded_at: datetime
    actor: str
    because: str = ""


class Institution(Chain, table=True):
    """A party that holds, lends, borrows, carries or inspects; its names are dated by the chain."""

    __tablename__ = "institution"
    name: str
    kind: str
    zone: str
    altitude_m: int | None = None
    __table_args__ = (one_of("kind", PARTY_KINDS),)


class Collection(Chain, table=True):
    """What one institution owns and numbers under one prefix."""

    __tablename__ = "collection"
    owner: str = Field(index=True)
    prefix: str
    zone: str
    name: str
    late_after_s: int = 86_400
    reserve_floor_ppm: int | None = None
    cut_overshoot_ppm: int = 50_000
    fell_at: datetime | None = None
    __table_args__ = (
        sa.CheckConstraint("reserve_floor_ppm BETWEEN 0 AND 1000000", name="floor_is_share"),
        sa.CheckConstraint("cut_overshoot_ppm BETWEEN 0 AND 1000000", name="overshoot_is_share"),
    )


class Place(Chain, table=True):
    """A storage place of an institution, with the profile it keeps."""

    __tablename__ = "place"
    institution: str
    what: str
    profile: str
    custodian: str | None = None


class ProfileVersion(Chain, table=True):
    """A storage profile: limits, budgets and contact materials, the lists as JSON (``store.profiles`` reads them).

    Limits are in the units of ``domain.quantities``.
    """

    __tablename__ = "profile"
    institution: str
    what: str
    limits: str
    decisive: str | None = None
    lifetime_budget_s: int | None = None
    single_budget_s: int | None = None
    least_readings: int = 2
    max_gap_s: int | None = None
    spike_allowance_s: int = 0
    as_strict_as: str = "[]"
    contact_materials: str = "[]"
    __table_args__ = (
        sa.CheckConstraint("least_readings >= 1 AND spike_allowance_s >= 0 AND max_gap_s > 0", name="sound"),
        sa.CheckConstraint("lifetime_budget_s >= 0 AND single_budget_s >= 0", name="budgets"),
    )


class BalanceVersion(Chain, table=True):
    """A balance and what is known of it from its latest check."""

    __tablename__ = "balance"
    institution: str
    what: str
    readability_ng: int = big()
    repeatability_ng: int = big()
    good_until: date
    #: By its certificate: at which load it reads how much too much, with which standard uncertainty.
    calibrated_on: date | None = None
    calibration_load_ng: int | None = big(default=None)
    error_of_indication_ng: int | None = big(default=None)
    calibration_u_ng: int | None = big(default=None)
    linearity_ng: int | None = big(default=None)
    __table_args__ = (
        sa.CheckConstraint("readability_ng > 0 AND repeatability_ng > 0", name="positive"),
        sa.CheckConstraint("calibration_load_ng > 0 AND calibration_u_ng >= 0 AND linearity_ng >= 0", name="certified"),
    )


class Allowance(Chain, table=True):
    """What may happen to masses of a collection unblamed: ``code`` is the collection's, ``rules`` is JSON."""

    __tablename__ = "allowance"
    owner: str
    rules: str


class Shipment(Chain, table=True):
    """A trip of parcels from a consignor to an addressee."""

    __tablename__ = "shipment"
    consignor: str = Field(index=True)
    addressee: str = Field(index=True)
    carrier: str
    expected_by: datetime | None = None
    loan: str | None = None
    why: str = ""
    handling: str = ""
    turned_at: datetime | None = None


class ShipmentItem(SQLModel, table=True):
    """What a shipment was said to hold: parcels, containers or samples."""

    __tablename__ = "shipment_item"
    shipment: str = Field(primary_key=True)
    item: str = Field(primary_key=True, index=True)
    recorded_at: datetime
    actor: str


class Loan(Chain, table=True):
    """An agreement under which samples are lent, until ``due_on`` or for a term; later due dates are decisions.

    ``signing_id`` is the decision by which it was signed. Nobody but its sides hears of it up to ``confidential_to``,
    the end of the day ``confidential_until`` in ``confidential_zone``.
    """

    __tablename__ = "loan"
    lender: str = Field(index=True)
    borrower: str = Field(index=True)
    responsible: str
    purpose: str = ""
    zone: str
    returned_when: str
    term_months: int | None = None
    due_on: date | None = None
    signed_at: datetime | None = None
    confidential_until: date | None = None
    confidential_to: datetime | None = None
    confidential_zone: str | None = None
    signing_id: str = ""
    recalled_at: datetime | None = None
    closed_at: datetime | None = None
    __table_args__ = (one_of("returned_when", ("received_by_lender", "handed_to_carrier")),)


# ------------------------------------------------------------------------------------------------------------- logs
class Event(SQLModel, table=True):
    """One fact or decision, as it was told (D6). ``request_digest`` covers the words that were sent, with a salted
    ``note_digest`` for the note; ``digest`` that, the teller and both times; ``row_digest`` all that stands here."""

    __tablename__ = "event"
    id: str = Field(primary_key=True)
    kind: str
    happened_at: datetime
    happened_latest: datetime
    time_raw: str
    time_source: str
    uncertainty_s: int = 0
    recorded_at: datetime
    late_s: int = big()
    actor: str
    acting_for: str
    device: str = ""
    boot: str = ""
    sequence: int | None = None
    place_in_request: int = 0
    subjects: str
    body: str
    amends: str | None = None
    shipment: str | None = None
    confirms: str | None = None
    logger: str | None = None
    request_digest: str
    note_digest: str | None = None
    digest: str
    answer: str
    row_digest: str
    __table_args__ = (
        partial("ix_event_amends", "amends IS NOT NULL", "amends"),
        partial("ix_event_confirms", "confirms IS NOT NULL", "confirms"),
        partial("ix_event_shipment", "shipment IS NOT NULL", "shipment", "happened_at"),
        partial("ix_event_logger", "logger IS NOT NULL", "logger", "happened_at"),
        partial("ix_event_late", "late_s > 0", "recorded_at", "id"),
        sa.CheckConstraint("happened_latest >= happened_at", name="interval"),
        one_of("time_source", ("device", "typed", "carrier", "import", "server")),
    )


class Note(SQLModel, table=True):
    """The words of a fact that may have to be erased; the event holds only their salted hash (D6)."""

    __tablename__ = "note"
    event_id: str = Field(primary_key=True)
    text: str
    salt: str


class LabelPrint(SQLModel, table=True):
    """One printed label: a number and which print of it."""

    __tablename__ = "label_print"
    number: str = Field(primary_key=True)
    serial: int = Field(primary_key=True)
    event_id: str
    recorded_at: datetime
    actor: str
    because: str = ""


class LabelVoid(SQLModel, table=True):
    """A print that must no longer be on anything."""

    __tablename__ = "label_void"
    number: str = Field(primary_key=True)
    serial: int = Field(primary_key=True)
    event_id: str
    recorded_at: datetime
    actor: str
    because: str


class Alias(SQLModel, table=True):
    """Another name that an item goes by somewhere; never reused."""

    __tablename__ = "alias"
    institution: str = Field(primary_key=True)
    alias: str = Field(primary_key=True)
    item: str = Field(index=True)
    recorded_at: datetime
    actor: str


class PackagingPrefix(SQLModel, table=True):
    """Letters that an institution's containers and parcels are numbered under, for good (rulings 24)."""

    __tablename__ = "packaging_prefix"
    prefix: str = Field(primary_key=True)
    institution: str = Field(index=True)
    recorded_at: datetime
    actor: str
    because: str


class NumberBlock(SQLModel, table=True):
    """Numbers handed out ahead, for use without a network."""

    __tablename__ = "number_block"
    id: str = Field(primary_key=True)
    prefix: str
    first_serial: int
    last_serial: int
    institution: str = Field(index=True)
    recorded_at: datetime
    actor: str
    __table_args__ = (
        sa.UniqueConstraint("prefix", "first_serial"),
        sa.CheckConstraint("last_serial >= first_serial", name="order"),
    )


class Succession(SQLModel, table=True):
    """A decision that one institution answers for another from a moment on; no successor: for itself again."""

    __tablename__ = "succession"
    institution: str = Field(primary_key=True)
    recorded_at: datetime = Field(primary_key=True)
    from_at: datetime
    successor: str | None = None
    actor: str
    because: str


LOGS = (
    "event",
    "institution",
    "collection",
    "place",
    "profile",
    "balance",
    "allowance",
    "shipment",
    "shipment_item",
    "loan",
    "request",
    "promise",
    "case_record",
    "case_cause",
    "case_item",
    "case_entry",
    "case_file",
    "label_print",
    "label_void",
    "alias",
    "packaging_prefix",
    "number_block",
    "role_change",
    "succession",
    "evidence_file",
    "file_erasure",
    "source",
    "layout",
    "clock_check",
    "upload",
    "upload_end",
    "upload_withdrawal",
    "reading_chunk",
)
