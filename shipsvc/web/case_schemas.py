"""What cases look like in JSON."""

from typing import Annotated, Any, Final

from pydantic import Field, StrictBool

from shipsvc.domain.cases import CaseKind, CaseState
from shipsvc.web.answered import MOMENT, VersionAt
from shipsvc.web.body_texts import ItemNumber, Sha256
from shipsvc.web.document_schemas import VERSION, Listing, example
from shipsvc.web.file_schemas import EXAMPLE_SHA256
from shipsvc.web.identity_schemas import PERSON
from shipsvc.web.item_schemas import NumberShown
from shipsvc.web.schemas import DocumentCode, Instant, InstitutionCode, Strict, Words

EXAMPLE_CASE: Final = "C-7K2M9QXD"
#: A few paragraphs.
Saying = Annotated[
    str,
    Field(
        min_length=1,
        max_length=4000,
        pattern=r"^[^\x00-\x09\x0b-\x1f\x7f]*[^\x00-\x20\x7f][^\x00-\x09\x0b-\x1f\x7f]*$",
        description="Words, on several lines where need be",
        examples=["The seal of the box is cut; the inner seal is whole."],
    ),
]
_CASE: Final[dict[str, Any]] = {
    "kind": "seal",
    "what": "The seal of the box is cut; the inner seal is whole.",
    "found_at": "2026-03-10T08:00:00Z",
    "happened_from": "2026-03-08T09:00:00Z",
    "happened_to": "2026-03-10T08:00:00Z",
    "internal": False,
}
_FILES: Any = Field([], max_length=50, description="Evidence files, sent before or after", examples=[[EXAMPLE_SHA256]])
_DECIDED_AT: Any = Field(None, description="When; now, if left out")


class CaseNew(Strict):
    """Something went wrong, or may have."""

    model_config = example(
        _CASE,
        {
            "acting_for": "TRP",
            "items": ["BRM-0010-J"],
            "hold": False,
            "files_sha256": [EXAMPLE_SHA256],
            "because": "Found at the door",
        },
    )
    acting_for: InstitutionCode = Field(description="Who tells of it", examples=["TRP"])
    kind: CaseKind = Field(description="What it is about", examples=["seal"])
    items: list[ItemNumber] = Field(
        min_length=1, max_length=500, description="With which things, of one owner", examples=[["BRM-0010-J"]]
    )
    what: Saying = Field(description="What was found", examples=[_CASE["what"]])
    found_at: Instant | None = Field(None, description="When it was found; now, if left out")
    happened_from: Instant | None = Field(None, description="It happened at the earliest then")
    happened_to: Instant | None = Field(None, description="It happened at the latest then")
    hold: StrictBool = Field(
        True,
        description="Whether the things are on hold: not promised, lent, or sent but home. Takes effect where the"
        " institution owns them or has to do with all of them now",
        examples=[False],
    )
    internal: StrictBool = Field(
        False, description="Whether it is kept from others who have to do with the things", examples=[False]
    )
    files_sha256: list[Sha256] = _FILES
    because: Words = Field("Opened", description="Why it is told", examples=["Found at the door"])


class CaseSaying(Strict):
    """Something that is said in a case: what was done, who was told, what was found out."""

    model_config = example(
        {"acting_for": "TRP", "what": "Asked the courier; answer within two days.", "shared": False, "files_sha256": []}
    )
    acting_for: InstitutionCode = Field(description="For whom it is said", examples=["TRP"])
    what: Saying = Field(description="What", examples=["Asked the courier; answer within two days."])
    shared: StrictBool = Field(
        False,
        description="Whether all who see the case read it; else the owner, and the institution itself",
        examples=[False],
    )
    files_sha256: list[Sha256] = _FILES
    said_at: Instant | None = Field(None, description="When it was said or done; now, if left out")


class CaseItems(Strict):
    """More things that a case is about."""

    model_config = example({"items": ["BRM-0011-H"]})
    items: list[ItemNumber] = Field(
        min_length=1, max_length=500, description="Things of the same owner", examples=[["BRM-0011-H"]]
    )


class Containment(Strict):
    """It can do no more harm."""

    model_config = example({"because": "The box is in the glovebox", "hold": True})
    because: Words = Field(description="What was done", examples=["The box is in the glovebox"])
    hold: StrictBool | None = Field(
        None, description="On hold or not, from now on; left out: as before. The owner alone lifts it", examples=[True]
    )
    at: Instant | None = _DECIDED_AT


class CaseDecision(Strict):
    """What becomes of it."""

    model_config = example(
        {
            "decision": "Accepted; the inner seal was whole",
            "cause": "Opened at the border",
            "hold": False,
            "because": "Weighed and looked at by two",
        }
    )
    decision: Words = Field(description="What is decided", examples=["Accepted; the inner seal was whole"])
    cause: Words | None = Field(None, description="What it came from", examples=["Opened at the border"])
    hold: StrictBool | None = Field(
        None, description="On hold or not, from now on; left out: as before", examples=[False]
    )
    because: Words = Field(description="Why so", examples=["Weighed and looked at by two"])
    at: Instant | None = _DECIDED_AT


class CaseClosing(Strict):
    """Nothing more is to be done."""

    model_config = example({"because": "The border office has answered"})
    because: Words = Field(description="Why", examples=["The border office has answered"])
    at: Instant | None = _DECIDED_AT


class CaseReopening(Strict):
    """There is more to it."""

    model_config = example({"because": "The logger shows more", "hold": False})
    because: Words = Field(description="Why", examples=["The logger shows more"])
    hold: StrictBool = Field(True, description="Whether the things are on hold again", examples=[False])
    at: Instant | None = _DECIDED_AT


_ENTRY: Final[dict[str, Any]] = {
    "line": 1,
    "said_at": "2026-03-10T09:00:00Z",
    "recorded_at": "2026-03-10T09:00:05Z",
    "by": PERSON,
    "acting_for": "TRP",
    "what": "Asked the courier; answer within two days.",
    "shared": False,
    "files_sha256": [EXAMPLE_SHA256],
    "files_missing": [],
}


class EntryShown(Strict):
    """What somebody said in a case."""

    model_config = example(_ENTRY)
    line: int = Field(ge=1, description="Counted from 1; those that are not for you are left out", examples=[1])
    said_at: Instant = Field(description="When it was said or done")
    recorded_at: Instant = Field(description="When it was told")
    by: str = Field(description="Id of the person, or the rule, as `rule/drift`", examples=[PERSON])
    acting_for: InstitutionCode = Field(description="For whom", examples=["TRP"])
    what: Saying
    shared: bool = Field(description="Whether all who see the case read it", examples=[False])
    files_sha256: list[Sha256] = Field(description="The files that it names", examples=[[EXAMPLE_SHA256]])
    files_missing: list[Sha256] = Field(description="Those of them that were not sent yet", examples=[[]])


_SHOWN: Final[dict[str, Any]] = {
    **_CASE,
    "code": EXAMPLE_CASE,
    "owner": "TRP",
    "opened_by": "TRP",
    "rule": None,
    "items": ["BRM-0010-J"],
    "loan": None,
    "state": "open",
    "hold": True,
    "decide_by": "2026-03-11T08:05:00Z",
    "overdue": False,
    "cause": None,
    "decision": None,
}


class CaseHead(VersionAt):
    """A case in one version."""

    code: DocumentCode = Field(description="Drawn by the service", examples=[EXAMPLE_CASE])
    kind: CaseKind = Field(description="What it is about", examples=["seal"])
    owner: InstitutionCode = Field(description="Whose the things are, who decides", examples=["TRP"])
    opened_by: InstitutionCode | None = Field(description="Who told of it; null: a rule", examples=["TRP"])
    rule: str | None = Field(description="The rule that opened it, such as `drift`", examples=[None])
    items: list[NumberShown] = Field(
        description="What it is about, as far as that is yours to see", examples=[["BRM-0010-J"]]
    )
    what: str = Field(
        description="What was found. A rule that has a person in mind names them where you may know them by name, else"
        " by id; the answer to a step always by id",
        examples=[_CASE["what"]],
    )
    loan: DocumentCode | None = Field(
        description="The loan that all of it was on; for the owner alone", examples=[None]
    )
    found_at: Instant = Field(description="When it was found")
    happened_from: Instant | None = Field(description="It happened at the earliest then", examples=[None])
    happened_to: Instant | None = Field(description="It happened at the latest then", examples=[None])
    state: CaseState = Field(description="How far it has come", examples=["open"])
    hold: bool = Field(description="Whether the things are on hold by it", examples=[True])
    internal: bool = Field(description="Whether it is kept from others", examples=[False])
    decide_by: Instant = Field(description="By when it should be decided")
    overdue: bool = Field(description="Whether that is over and it is not decided", examples=[False])
    cause: str | None = Field(description="What it came from", examples=["Opened at the border"])
    decision: str | None = Field(description="What was decided", examples=["Accepted"])


class CaseShown(CaseHead):
    """A case in one version, with what was said in it."""

    model_config = example(_SHOWN, VERSION, MOMENT, {"entries": [_ENTRY]})
    entries: list[EntryShown] = Field(description="What was said, as far as it is yours to read", examples=[[_ENTRY]])


class CasePage(Listing):
    """Cases in the order of their codes."""

    model_config = example({"items": [{**_SHOWN, **VERSION, **MOMENT, "entries": [_ENTRY]}], "next": None})
    items: list[CaseShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


#: For the description of the export.
EXPORTED: Final[dict[str, Any]] = {
    **{name: value for name, value in _SHOWN.items() if name != "overdue"},
    **{name: value for name, value in VERSION.items() if name != "provisional"},
    "said": ["2026-03-10T09:00:00Z TRP: Asked the courier; answer within two days."],
}


class CaseRow(Strict):
    """A case as a row of a file; ``said`` holds what was said in it, one entry each."""

    model_config = example(EXPORTED)
    code: DocumentCode
    version: int = Field(description="Which version", examples=[1])
    kind: CaseKind
    owner: InstitutionCode
    opened_by: InstitutionCode | None
    rule: str | None
    items: list[NumberShown]
    what: str
    loan: DocumentCode | None
    found_at: Instant
    happened_from: Instant | None
    happened_to: Instant | None
    state: CaseState
    hold: bool
    internal: bool
    decide_by: Instant
    cause: str | None
    decision: str | None
    valid_from: Instant
    recorded_at: Instant
    actor: str
    because: str
    said: list[str]
