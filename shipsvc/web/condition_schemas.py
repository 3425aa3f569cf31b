"""What a sample was exposed to, in JSON: the bar, the sources around it, incidents of a place, what a file changed."""

from typing import Annotated, Any, Final, Literal

from pydantic import Field

from shipsvc.web.answered import MOMENT
from shipsvc.web.item_schemas import Moment, NumberShown, example
from shipsvc.web.report_examples import AT
from shipsvc.web.report_schemas import Code, ItemNumber, MassText, Party, Reported, What
from shipsvc.web.schemas import Instant, Strict

QuantityName = Literal["temperature", "relative_humidity", "frost_point", "oxygen", "pressure", "shock", "light"]
StateName = Literal["proven_out", "proven_in", "by_record", "indirect", "unknown"]
WeightName = Literal["certain", "possible", "allowed"]
Quantity = Annotated[QuantityName, Field(description="What is measured", examples=["temperature"])]
Value = Annotated[float, Field(description="In the unit that stands beside it", examples=[11.4])]
LengthS = Annotated[int, Field(ge=0, description="A length of time in seconds", examples=[112_800])]
SourceCode = Annotated[str, Field(description="A logger or sensor", examples=["LG-101"])]

_BAR: Final[dict[str, Any]] = {
    "proven_out_s": 112_800,
    "proven_in_s": 539_400,
    "by_record_s": 0,
    "indirect_s": 9_600,
    "unknown_s": 300,
}
_PART: Final[dict[str, Any]] = {"start": "2025-03-29T02:10:00Z", "end": "2025-03-30T09:30:00Z", "state": "proven_out"}
_EXCURSION: Final[dict[str, Any]] = {
    "start": "2025-03-29T02:10:00Z",
    "end": "2025-03-30T09:30:00Z",
    "readings": 187,
    "peak": 11.4,
    "area_h": 822.8,
    "counts": "certain",
}
_SOURCE: Final[dict[str, Any]] = {
    "source": "LG-101",
    "quantity": "temperature",
    "unit": "Cel",
    "where": "J-0002-R",
    "rank": 2,
    "reaches": True,
    "present_s": 662_400,
    "counts_s": 662_400,
    "covered_s": 652_200,
    "lowest": -61.2,
    "highest": 11.4,
    "excursions": [_EXCURSION],
}
_MEASURED: Final[dict[str, Any]] = {
    "mean_kinetic_temperature_cel": -18.42,
    "temperature_covered_s": 652_200,
    "frost_point_lowest_cel": None,
    "frost_point_highest_cel": None,
    "frost_point_computed": False,
}
_CONDITIONS: Final[dict[str, Any]] = {
    "number": "BRM-0011-H",
    "since": "2025-03-24T08:25:00Z",
    "profiles": ["C"],
    **_BAR,
    "disagree_s": 0,
    "parts": [_PART],
    "sources": [_SOURCE],
    "measured": _MEASURED,
}


class BarPart(Strict):
    """A stretch of the bar."""

    model_config = example(_PART)
    start: Instant = Field(description="From when on")
    end: Instant = Field(description="Until when")
    state: StateName = Field(
        description="`proven_out` by a reading or because it was taken out; `proven_in` by readings; `by_record`: in a"
        " place that keeps its profile and has no sensor for it; `indirect`: only a source further out says in"
    )


class ExcursionShown(Strict):
    """A stretch beyond a limit."""

    model_config = example(_EXCURSION)
    start: Instant = Field(description="Where the line between readings crosses the limit")
    end: Instant = Field(description="Where it comes back, or the last reading before a gap")
    readings: int = Field(description="How many readings lay beyond", examples=[187])
    peak: Value = Field(description="The reading furthest out")
    area_h: float = Field(description="Area beyond the limit, in the unit times hours", examples=[822.8])
    counts: WeightName = Field(description="`possible`: too few readings, at most only; `allowed`: a spike let pass")


class SourceHeard(Strict):
    """What one source in one position said of one quantity in the window."""

    model_config = example(_SOURCE)
    source: SourceCode
    quantity: Quantity
    unit: str = Field(description="UCUM code", examples=["Cel"])
    where: str = Field(description="The container or the storage place that it is in", examples=["J-0002-R"])
    rank: int = Field(description="How many containers are between it and the sample", examples=[2])
    reaches: bool = Field(description="False where a closed container keeps this quantity out", examples=[True])
    present_s: LengthS = Field(description="How long it was there")
    counts_s: LengthS = Field(description="How long it was the nearest, and so the one that counts")
    covered_s: LengthS = Field(description="How long it read without a gap")
    lowest: Value | None
    highest: Value | None
    excursions: list[ExcursionShown]


class MeasuredShown(Strict):
    """Figures over the readings that count. The mean kinetic temperature is never a rule for pass or fail."""

    model_config = example(_MEASURED)
    mean_kinetic_temperature_cel: float | None = Field(description="USP <1160>, 83.144 kJ/mol, by time", examples=[4.2])
    temperature_covered_s: LengthS = Field(description="How much of the window it rests on; gaps are bridged")
    frost_point_lowest_cel: float | None = Field(examples=[-61.0])
    frost_point_highest_cel: float | None = Field(examples=[-48.5])
    frost_point_computed: bool = Field(description="From temperature and humidity, not measured", examples=[False])


class ConditionsOf(Strict):
    """One sample in a window."""

    model_config = example(_CONDITIONS)
    number: NumberShown
    since: Instant = Field(description="The beginning of the window; it ends at `as_of`")
    profiles: list[str] = Field(description="The storage profiles that it was held against, in order of time")
    proven_out_s: LengthS
    proven_in_s: LengthS
    by_record_s: LengthS
    indirect_s: LengthS
    unknown_s: LengthS
    disagree_s: LengthS = Field(description="Two sources in one position said in and out: the worse counts")
    parts: list[BarPart] = Field(description="The bar, in order of time")
    sources: list[SourceHeard] = Field(description="From the inside out, by quantity")
    measured: MeasuredShown | None = Field(description="If asked for")


class ConditionsShown(ConditionsOf, Moment):
    """What a sample was exposed to in a window."""

    model_config = example(_CONDITIONS, MOMENT)


class ShipmentConditions(Moment):
    """Whether what a shipment held stayed cold and dry: each sample from its packing to its arrival, or to now."""

    model_config = example({"code": "T-02", "samples": [_CONDITIONS]}, MOMENT)
    code: Code
    samples: list[ConditionsOf]


class TimeBeyond(Moment):
    """Time beyond a threshold over a whole life, parents' share before birth included, whatever the profile was."""

    model_config = example(
        {
            "number": "BRM-0011-H",
            "quantity": "temperature",
            "unit": "Cel",
            "above": -15.0,
            "below": None,
            "at_least_s": 131_400,
            "at_most_s": 2_880_000,
            "longest_at_least_s": 112_800,
        },
        MOMENT,
    )
    number: NumberShown
    quantity: Quantity
    unit: str = Field(description="UCUM code of the thresholds", examples=["Cel"])
    above: float | None = Field(examples=[-15.0])
    below: float | None = Field(examples=[None])
    at_least_s: LengthS = Field(description="Read to be beyond")
    at_most_s: LengthS = Field(description="The same, and all the time that no source around it read this quantity")
    longest_at_least_s: LengthS


INCIDENT: Final[dict[str, Any]] = {
    "item": "BRM-0007-9",
    "what": "interior",
    "owner": "TRP",
    "profile": "N",
    "there_s": 5_400,
    "closed": "no",
    "exposed": "yes",
    "exposed_at_least_s": 5_400,
    "exposed_at_most_s": 5_400,
    "children": [],
}


class IncidentRow(Strict):
    """A sample that was in the place."""

    model_config = example(INCIDENT)
    item: ItemNumber
    what: What
    owner: Party
    profile: Code | None = Field(description="What it was to be kept in then")
    there_s: LengthS = Field(description="How long it was there in the window")
    closed: Literal["yes", "no", "sometimes"] = Field(description="Whether it was in something closed")
    exposed: Literal["yes", "no", "cannot_be_told"] = Field(
        description="Whether a limit of its profile was passed where it lay: by readings that reach it"
    )
    exposed_at_least_s: LengthS
    exposed_at_most_s: LengthS
    children: list[ItemNumber] = Field(
        description="What was made of it since the window began, and of that: it carries the same"
    )


class IncidentReport(Reported):
    """Who was in that cabinet, in the order of item numbers."""

    model_config = example({**AT, "next": None, "items": [INCIDENT]})
    items: list[IncidentRow]


EXCURSION_ROW: Final[dict[str, Any]] = {
    "source": "PS-TRP-GB1",
    "profile": "N",
    "quantity": "oxygen",
    "unit": "[ppm]",
    "start": "2025-06-08T02:00:00Z",
    "end": "2025-06-08T03:30:00Z",
    "length_s": 5_400,
    "readings": 89,
    "peak": 180.0,
    "area_h": 118.7,
    "counts": "certain",
}


class ExcursionRow(Strict):
    """A stretch in which a source read beyond a limit of a profile."""

    model_config = example(EXCURSION_ROW)
    source: SourceCode
    profile: Code
    quantity: Quantity
    unit: str = Field(examples=["[ppm]"])
    start: Instant
    end: Instant
    length_s: LengthS
    readings: int = Field(examples=[89])
    peak: Value
    area_h: float = Field(description="In the unit times hours", examples=[118.7])
    counts: WeightName


class ExcursionsReport(Reported):
    """Excursions of a source from a profile, in order of time."""

    model_config = example({**AT, "next": None, "items": [EXCURSION_ROW]})
    items: list[ExcursionRow]


CHANGE: Final[dict[str, Any]] = {
    "item": "BRM-0011-H",
    "what": "chip",
    "owner": "TRP",
    "because_of": None,
    "was_at_least_s": 6_900,
    "was_at_most_s": 669_600,
    "at_least_s": 133_800,
    "at_most_s": 143_700,
    "changed": True,
}


class ChangeRow(Strict):
    """A sample that readings of a source concern, with its time out as known before, and as known now."""

    model_config = example(CHANGE)
    item: ItemNumber
    what: What
    owner: Party
    because_of: ItemNumber | None = Field(description="The sample around which the source was, if that was a forebear")
    was_at_least_s: LengthS
    was_at_most_s: LengthS
    at_least_s: LengthS
    at_most_s: LengthS
    changed: bool = Field(examples=[True])


class ChangesReport(Reported):
    """What a late file, an amended clock or an incident changed, in the order of item numbers."""

    model_config = example({**AT, "next": None, "items": [CHANGE]})
    items: list[ChangeRow]


CLEAN: Final[dict[str, Any]] = {
    "item": "BRM-0006-B",
    "what": "half, reserve",
    "profile": "N",
    "status": "stored",
    "place": "TRP-V1",
    "mass_mg": "131972",
    "contaminations": 0,
    "beyond_at_most_s": None,
    "beyond_at_least_s": None,
    "at_most_s": 6_300,
    "at_least_s": 6_300,
    "before_accession_s": 154_680,
}


class CleanRow(Strict):
    """A sample of a family and what it went through."""

    model_config = example(CLEAN)
    item: ItemNumber
    what: What
    profile: Code | None
    status: str = Field(examples=["stored"])
    place: Code | None
    mass_mg: MassText | None
    contaminations: int = Field(ge=0, description="Noted of it, or of what it was made from before that", examples=[0])
    beyond_at_most_s: LengthS | None = Field(description="Beyond the threshold asked for; null without one")
    beyond_at_least_s: LengthS | None
    at_most_s: LengthS = Field(description="Time out of controlled storage, not proven in")
    at_least_s: LengthS = Field(description="Time out of controlled storage, proven")
    before_accession_s: LengthS


class CleanReport(Reported):
    """The pieces of a family, the cleanest first."""

    model_config = example({**AT, "next": None, "items": [CLEAN]})
    items: list[CleanRow]


_SIDE: Final[dict[str, Any]] = {
    "number": "BRM-0010-J",
    "at_least_s": 8_700,
    "at_most_s": 321_600,
    "before_accession_s": 154_680,
    "since_parting_at_least_s": 600,
    "since_parting_at_most_s": 313_500,
}
_COMMON: Final[dict[str, Any]] = {"number": "BRM-0007-9", "share_of_one": "1", "share_of_other": "1"}


class ComparedSide(Strict):
    """One of two samples."""

    model_config = example(_SIDE)
    number: NumberShown
    at_least_s: LengthS
    at_most_s: LengthS
    before_accession_s: LengthS
    since_parting_at_least_s: LengthS = Field(description="Of that, what fell after the two parted")
    since_parting_at_most_s: LengthS


class CommonShown(Strict):
    """A nearest sample that both come from."""

    model_config = example(_COMMON)
    number: NumberShown
    share_of_one: str | None = Field(description="An exact fraction; null where not known", examples=["1000/5001"])
    share_of_other: str | None = Field(examples=["1"])


class ComparedShown(Moment):
    """Whether two samples are the same stuff."""

    model_config = example({"parted_at": "2025-02-18T10:30:00Z", "sides": [_SIDE], "common": [_COMMON]}, MOMENT)
    parted_at: Instant | None = Field(description="When the first left what both come from; null: nothing in common")
    sides: list[ComparedSide]
    common: list[CommonShown]
