"""What leaves by the exports, one row a thing that is told of; and all that is held about a person."""

from typing import Any

from pydantic import ConfigDict, Field

from shipsvc.web.account_schemas import SESSION_SHOWN, SessionShown
from shipsvc.web.fact_schemas import EXAMPLE_ID
from shipsvc.web.file_schemas import FILE, FileOut
from shipsvc.web.identity_schemas import PERSON, PersonId, RoleChanged
from shipsvc.web.item_schemas import MassShown, NumberShown
from shipsvc.web.loan_schemas import LineShown, LoanState
from shipsvc.web.schemas import Day, DocumentCode, Instant, InstitutionCode, Party, Strict
from shipsvc.web.shipment_schemas import ParcelState, ShipmentCode

FACT: dict[str, Any] = {
    "id": EXAMPLE_ID,
    "kind": "accepted",
    "subjects": ["P-01-K"],
    "happened_at": "2025-03-14T00:10:00Z",
    "happened_latest": "2025-03-14T00:10:00Z",
    "time_raw": "2025-03-14T09:10:00+09:00",
    "time_source": "device",
    "recorded_at": "2025-03-14T00:12:00Z",
    "by": PERSON,
    "acting_for": "TSI",
    "amends": None,
    "body": {"from": "CRK", "shipment": "T-01"},
    "note": None,
}
LOAN: dict[str, Any] = {
    "loan": "L-08",
    "lender": "TRP",
    "borrower": "TSI",
    "responsible": "p08",
    "purpose": "noble gas",
    "signed_at": "2025-09-22T09:00:00Z",
    "closed_at": None,
    "loan_state": "running",
    "agreed_due_on": "2026-12-31",
}
SHIPMENT: dict[str, Any] = {
    "shipment": "T-01",
    "consignor": "TRP",
    "addressee": "TSI",
    "carrier": "CRK",
    "expected_by": "2025-03-14T12:00:00Z",
    "handling": "Keep upright and dry.",
    "loan": "L-01",
    "why": "L-01 out",
    "turned_at": None,
    "overdue": False,
    "number": "P-001-5",
    "kind": "parcel",
    "form": "overpack",
    "what": "",
    "state": "confirmed",
    "confirmed_at": "2025-03-14T00:10:00Z",
    "holder": None,
    "claimed": None,
    "handover": "agreed",
}
LEG: dict[str, Any] = {
    "number": "P-001-5",
    "state": "giver_only",
    "certain": "TRP",
    "claimed": "CRK",
    "since": "2025-03-10T10:05:00Z",
    "until": "2025-03-14T00:10:00Z",
    "event_id": EXAMPLE_ID,
}
MOVE: dict[str, Any] = {
    "number": "BRM-0011-H",
    "event_id": EXAMPLE_ID,
    "line": 0,
    "happened_at": "2025-02-18T10:00:00Z",
    "from_account": "sample",
    "from_item": "BRM-0007-9",
    "to_account": "sample",
    "to_item": "BRM-0011-H",
    "mass_mg": "512.46",
}
_ROLE: dict[str, Any] = {
    "person": PERSON,
    "institution": "TRP",
    "role": "witness",
    "change": "grant",
    "from_at": "2026-07-01T00:00:00Z",
    "recorded_at": "2026-06-20T08:00:00Z",
    "actor": PERSON,
}


class LoanLineOut(LineShown):
    """A line of a loan, with the loan that it is of."""

    loan: DocumentCode = Field(description="The code of the loan", examples=["L-08"])
    lender: InstitutionCode
    borrower: InstitutionCode
    responsible: str = Field(description="Who answers at the borrower", examples=["p08"])
    purpose: str = Field(description="What it is lent for", examples=["noble gas"])
    signed_at: Instant = Field(description="When it was signed")
    closed_at: Instant | None = Field(description="When it was closed", examples=["2026-03-24T10:00:00Z"])
    loan_state: LoanState = Field(description="How the whole loan stands", examples=["running"])
    agreed_due_on: Day | None = Field(description="The due date as signed, if one was", examples=["2026-12-31"])


class FactRow(Strict):
    """A fact or decision as it was told. An amendment is a row of its own, with ``amends``."""

    model_config = ConfigDict(json_schema_extra={"examples": [FACT]})
    id: str = Field(description="Its id in the log", examples=[EXAMPLE_ID])
    kind: str = Field(description="Which kind of fact or decision", examples=["accepted"])
    subjects: list[str] = Field(description="What it is about: prints as scanned, else numbers", examples=[["P-01-K"]])
    happened_at: Instant = Field(description="No sooner than this")
    happened_latest: Instant = Field(description="No later than this")
    time_raw: str = Field(description="When, as it was told", examples=["2025-03-14T09:10:00+09:00"])
    time_source: str = Field(description="Where the time was read", examples=["device"])
    recorded_at: Instant = Field(description="When it was recorded")
    by: str = Field(description="Id of the person", examples=[PERSON])
    acting_for: str = Field(description="For which institution", examples=["TSI"])
    amends: str | None = Field(description="The fact that it amends", examples=[EXAMPLE_ID])
    body: dict[str, Any] = Field(description="What the kind is about", examples=[{"from": "CRK", "shipment": "T-01"}])
    note: str | None = Field(description="Free words beside it, unless erased", examples=["box was wet"])


class ShipmentRow(Strict):
    """A thing in a shipment, with the shipment; or a shipment that holds nothing."""

    shipment: ShipmentCode
    consignor: InstitutionCode
    addressee: Party
    carrier: InstitutionCode
    expected_by: Instant | None = Field(description="When it should have arrived")
    handling: str = Field(description="What to mind at the door", examples=["Keep upright and dry."])
    loan: str | None = Field(description="The loan that it travels under; not told to the carrier", examples=["L-01"])
    why: str = Field(description="What it is sent for; not told to the carrier", examples=["L-01 out"])
    turned_at: Instant | None = Field(description="Since when it is on its way back to the consignor")
    overdue: bool = Field(description="Whether it was expected before and is not confirmed wholly", examples=[False])
    number: NumberShown | None
    kind: str | None = Field(description="What kind of thing", examples=["parcel"])
    form: str | None = Field(description="Its form", examples=["overpack"])
    what: str | None = Field(description="In words", examples=["glass vials"])
    state: ParcelState | None = Field(description="How far it has come", examples=["moving"])
    confirmed_at: Instant | None = Field(description="When its addressee had it, by the words of both sides")
    holder: Party | None = Field(description="Who has it for certain, until it is confirmed", examples=["TRP"])
    claimed: Party | None = Field(description="Who has it by one side's word only", examples=["CRK"])
    handover: str | None = Field(description="How far the sides agree", examples=["giver_only"])


class LegRow(Strict):
    """A stretch of the custody of a thing."""

    number: NumberShown
    state: str = Field(description="How far the sides agree", examples=["giver_only"])
    certain: Party | None = Field(description="With whom it was for certain", examples=["TRP"])
    claimed: Party | None = Field(description="Who had it by one side's word only", examples=["CRK"])
    since: Instant = Field(description="From when on")
    until: Instant | None = Field(description="Until when; null: still, at `as_of`")
    event_id: str = Field(description="The fact that it began with", examples=[EXAMPLE_ID])


class OwnData(Strict):
    """What the service holds about the person who asks."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "person": PERSON,
                    "name": "M. Example",
                    "email": "m.example@trp.example",
                    "recorded_at": "2025-01-20T09:00:00Z",
                    "exported_at": "2026-11-25T12:00:00Z",
                    "login": "m.example",
                    "roles": [_ROLE],
                    "sessions": [SESSION_SHOWN],
                    "files": [FILE],
                    "facts": [FACT],
                }
            ]
        }
    )
    person: PersonId
    name: str = Field(description="Empty once erased", examples=["M. Example"])
    email: str = Field(description="Empty once erased, or never given", examples=["m.example@trp.example"])
    recorded_at: Instant = Field(description="When they were added")
    exported_at: Instant = Field(description="When this was asked for")
    login: str = Field(description="The name to sign in with, which stays", examples=["m.example"])
    roles: list[RoleChanged] = Field(description="Every role given or ended, in the order in which it was told")
    sessions: list[SessionShown] = Field(description="Every sign-in that is kept, also those that are over")
    files: list[FileOut] = Field(description="Every evidence file that they sent, in the order in which they did")
    facts: list[FactRow] = Field(description="All that they told, in the order of ids")


class MoveRow(Strict):
    """A mass that an act moved out of one account into another: the ledger, line by line."""

    model_config = ConfigDict(json_schema_extra={"examples": [MOVE]})
    number: NumberShown = Field(description="The sample whose book decides on it")
    event_id: str = Field(description="The act", examples=[EXAMPLE_ID])
    line: int = Field(description="Which of the moves of that act and sample", examples=[0])
    happened_at: Instant
    from_account: str = Field(description="Out of which account", examples=["sample"])
    from_item: NumberShown | None = Field(description="Which sample that is of")
    to_account: str = Field(description="Into which account", examples=["sample"])
    to_item: NumberShown | None = Field(description="Which sample that is of")
    mass_mg: MassShown = Field(description="How much, in mg: above 0", examples=["512.46"])
