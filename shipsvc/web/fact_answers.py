"""A fact as it is read back: what was told, by whom and for whom, when, and what became of it."""

from typing import Any

from pydantic import ConfigDict, Field

from shipsvc.app.facts import Account, Amended, Wording
from shipsvc.web.fact_schemas import EXAMPLE_ID
from shipsvc.web.schemas import Instant, Strict

EXAMPLE_PERSON = "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"
_DIGEST = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
_TIME: dict[str, Any] = {
    "raw": "2025-03-14T09:10:00+09:00",
    "source": "device",
    "uncertainty_s": 0,
    "sequence": 17,
    "boot": "7",
    "happened_at": "2025-03-14T00:10:00Z",
    "happened_latest": "2025-03-14T00:10:00Z",
}
_WORDING: dict[str, Any] = {
    "kind": "accepted",
    "subjects": ["P-01-K"],
    "time": _TIME,
    "body": {"from": "CRK", "shipment": "T-01"},
}


class TimeOut(Strict):
    """When it happened: as told, and as it counts, by a clock set right where the device's was wrong."""

    model_config = ConfigDict(json_schema_extra={"examples": [_TIME]})
    raw: str = Field(description="As it was told", examples=["2025-03-14T09:10:00+09:00"])
    source: str = Field(description="Where the time was read", examples=["device"])
    uncertainty_s: int = Field(description="Seconds it may be off either way", examples=[0])
    sequence: int | None = Field(description="The device's own count", examples=[17])
    boot: str = Field(description="The run of the device", examples=["7"])
    happened_at: Instant = Field(description="No sooner than this")
    happened_latest: Instant = Field(description="No later than this: the end of the day where only a day was told")


class WordingOut(Strict):
    """What a fact says, in one of its versions."""

    model_config = ConfigDict(json_schema_extra={"examples": [_WORDING]})
    kind: str = Field(description="Which kind of fact or decision", examples=["accepted"])
    subjects: list[str] = Field(description="What it is about: prints as scanned, else numbers", examples=[["P-01-K"]])
    time: TimeOut = Field(description="When it happened")
    body: dict[str, Any] = Field(description="What the kind is about", examples=[{"from": "CRK", "shipment": "T-01"}])


class AmendmentOut(Strict):
    """One amendment, with what held before and after it."""

    id: str = Field(description="Its own id in the log", examples=[EXAMPLE_ID])
    recorded_at: Instant = Field(description="When it was recorded")
    by: str = Field(description="Id of the person", examples=[EXAMPLE_PERSON])
    acting_for: str = Field(description="For which institution", examples=["TSI"])
    because: str = Field(description="Why", examples=["decimal slip, printout attached"])
    before: WordingOut | None = Field(description="What held until then; null where it was withdrawn before")
    after: WordingOut | None = Field(description="What holds in its place; null: nothing")


class NoteOut(Strict):
    """Free words beside a fact. They can be erased; the fact stays, and so does its digest."""

    text: str = Field(description="The words", examples=["box was wet"])
    salt: str = Field(description="SHA-256 of salt and words stands in the digest", examples=["5f0c4f3c8d1e4b6f"])


class FactOut(WordingOut):
    """A fact or decision as it was told, and what became of it."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    **_WORDING,
                    "id": EXAMPLE_ID,
                    "by": EXAMPLE_PERSON,
                    "acting_for": "TSI",
                    "device": "phone-3",
                    "recorded_at": "2025-03-14T00:12:00Z",
                    "told_late_s": 120,
                    "flags": [],
                    "note": {"text": "box was wet", "salt": "5f0c4f3c8d1e4b6f"},
                    "items": ["P-01-K"],
                    "amends": None,
                    "amendments": [],
                    "in_force": _WORDING,
                    "request_digest": _DIGEST,
                    "digest": _DIGEST,
                }
            ]
        }
    )
    id: str = Field(description="As the client made it", examples=[EXAMPLE_ID])
    by: str = Field(description="Id of the person who told it", examples=[EXAMPLE_PERSON])
    acting_for: str = Field(description="For which institution it was told", examples=["TSI"])
    device: str = Field(description="The device it was sent from, where named", examples=["phone-3"])
    recorded_at: Instant = Field(description="When it was recorded")
    told_late_s: int = Field(
        description="Seconds from the latest that it can have happened until it was recorded", examples=[120]
    )
    flags: list[str] = Field(description="What the teller was told to look at", examples=[["clock_skew"]])
    note: NoteOut | None = Field(description="Null where there is none, or where it was erased")
    items: list[str] = Field(description="What it bears on, as known now, that you may see", examples=[["P-01-K"]])
    amends: str | None = Field(description="The original, where this is an amendment", examples=[EXAMPLE_ID])
    amendments: list[AmendmentOut] = Field(description="All amendments of the original, oldest first", examples=[[]])
    in_force: WordingOut | None = Field(description="What holds of the original now; null where it was withdrawn")
    request_digest: str = Field(
        description="SHA-256 over the canonical form (RFC 8785) of the fact as it was sent, with the SHA-256 of salt"
        " and words (null where there are none) in place of the note",
        examples=[_DIGEST],
    )
    digest: str = Field(
        description="SHA-256 over the canonical form of request (the digest above), actor, acting_for, happened_at and"
        " recorded_at",
        examples=[_DIGEST],
    )


def fact_out(told: Account) -> FactOut:
    """What the application found, as it is answered."""
    row = told.row
    as_stored = ("id", "acting_for", "device", "recorded_at", "amends", "request_digest", "digest")
    return FactOut(
        **_wording(told.wording),
        **{name: row[name] for name in as_stored},
        by=row["actor"],
        told_late_s=row["late_s"],
        flags=list(told.flags),
        note=NoteOut(text=row["note"], salt=row["salt"]) if row["note"] else None,
        items=list(told.items),
        amendments=[_amendment(one) for one in told.amendments],
        in_force=_version(told.in_force),
    )


def _wording(said: Wording) -> dict[str, Any]:
    time = TimeOut(
        raw=said.time_raw,
        source=said.time_source,
        uncertainty_s=said.uncertainty_s,
        sequence=said.sequence,
        boot=said.boot,
        happened_at=said.happened_at,
        happened_latest=said.happened_latest,
    )
    return {"kind": said.kind, "subjects": list(said.subjects), "time": time, "body": dict(said.body)}


def _version(said: Wording | None) -> WordingOut | None:
    return WordingOut(**_wording(said)) if said else None


def _amendment(one: Amended) -> AmendmentOut:
    return AmendmentOut(
        id=one.id,
        recorded_at=one.recorded_at,
        by=one.actor,
        acting_for=one.acting_for,
        because=one.because,
        before=_version(one.before),
        after=_version(one.after),
    )
