"""What institutions look like in JSON: their names, and who took over from whom."""

from typing import Any, Literal

from pydantic import Field

from shipsvc.web.document_schemas import TOLD, VERSION, Listing, Version, example
from shipsvc.web.schemas import Altitude, Instant, InstitutionCode, PartyKind, Strict, Told, Words, ZoneName

_INSTITUTION: dict[str, Any] = {
    "name": "Tarnhythe Repository",
    "kind": "lender",
    "zone": "Europe/London",
    "altitude_m": 40,
}


_ALONE: dict[str, Any] = {"successor": None, "successor_since": None, "predecessors": [], "found_by": []}


class InstitutionContent(Strict):
    """What may change about an institution."""

    name: Words = Field(description="Its name from then on", examples=["Tarnhythe Repository"])
    kind: PartyKind = Field(description="What it is to the collections", examples=["lender"])
    zone: ZoneName = Field(description="The IANA zone that its days are counted in", examples=["Europe/London"])
    altitude_m: Altitude | None = Field(None, description="Metres above sea level, if known", examples=[40])


class InstitutionChange(InstitutionContent, Told):
    """A new version of an institution: renamed, moved, or better known."""

    model_config = example(_INSTITUTION, TOLD, {"name": "Tarnhythe Archive", "because": "Renamed by its council"})


class InstitutionNew(InstitutionContent, Told):
    """An institution not yet known."""

    model_config = example({"code": "TRP"}, _INSTITUTION, TOLD)
    code: InstitutionCode


class FoundBy(Strict):
    """What a search found of an institution."""

    model_config = example({"which": "former_name", "words": "Lisgarth College"})
    which: Literal["code", "name", "former_name", "predecessor", "successor"] = Field(
        description="Its code, its name then, a name that it had before, or another institution that was found",
        examples=["predecessor"],
    )
    words: str = Field(description="The name, or the code", examples=["LSC"])


class InstitutionShown(InstitutionContent, Version):
    """An institution in one version, and who answers for it."""

    model_config = example({"code": "TRP"}, _INSTITUTION, VERSION, _ALONE)
    code: InstitutionCode
    successor: InstitutionCode | None = Field(
        None, description="Who answers for it at `as_of`, where another took over", examples=["LSU"]
    )
    successor_since: Instant | None = Field(
        None, description="Since when another answers for it", examples=["2026-07-01T04:00:00Z"]
    )
    predecessors: list[InstitutionCode] = Field(
        description="Those that it answers for at `as_of`, at first or second hand", examples=[["LSC", "SKI"]]
    )
    found_by: list[FoundBy] = Field(description="What `q` found of it; empty without a search")


class InstitutionPage(Listing):
    """Institutions in the order of their codes."""

    model_config = example({"items": [{"code": "TRP"} | _INSTITUTION | VERSION | _ALONE]})
    items: list[InstitutionShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


class SuccessorNew(Strict):
    """Who answers for an institution from a moment on."""

    model_config = example({"successor": "TSI", "from_at": "2026-07-01T00:00:00Z", "because": "Merged"})
    successor: InstitutionCode | None = Field(
        description="Who takes over; null: a merge was wrong or has ended, and it answers for itself again",
        examples=["LSU"],
    )
    from_at: Instant | None = Field(
        None,
        description="From when on, which may be told late. Left out: from now; a reversal, from where the merge began",
        examples=["2026-07-01T04:00:00Z"],
    )
    because: Words = Field(description="Why", examples=["Merged by its council"])


_SUCCESSION: dict[str, Any] = {
    "institution": "LSC",
    "successor": "LSU",
    "from_at": "2026-07-01T04:00:00Z",
    "recorded_at": "2026-07-20T10:00:00Z",
    "actor": VERSION["actor"],
    "because": "Merged by its council",
}


class SuccessionShown(Strict):
    """A decision that one institution answers for another, or no longer does."""

    model_config = example(_SUCCESSION)
    institution: InstitutionCode
    successor: InstitutionCode | None = Field(
        None, description="Who took over; null: it answers for itself again", examples=["LSU"]
    )
    from_at: Instant = Field(description="From when on")
    recorded_at: Instant = Field(description="When it was told")
    actor: str = Field(description="Id of the person who told it", examples=[VERSION["actor"]])
    because: str = Field(description="Why", examples=["Merged by its council"])


class SuccessionList(Strict):
    """Decisions in the order in which they were told. Of those that have begun, the one that begins last holds."""

    model_config = example({"items": [_SUCCESSION]})
    items: list[SuccessionShown] = Field(description="All of them; institutions merge seldom")
