"""Loggers, sensors, layouts of their tables and checks of their clocks, as JSON has them."""

import json
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from shipsvc.app.sources import CheckShown
from shipsvc.domain import layouts
from shipsvc.domain.clocks import Correction
from shipsvc.web.document_schemas import TOLD, VERSION, Listing, Version, example
from shipsvc.web.schemas import (
    Count,
    Day,
    DocumentCode,
    Instant,
    InstitutionCode,
    Strict,
    Told,
    Words,
    ZoneName,
)

QuantityName = Literal["temperature", "relative_humidity", "frost_point", "oxygen", "pressure", "shock", "light"]
Run = Annotated[
    str,
    Field(
        max_length=40,
        pattern=r"^[A-Za-z0-9._-]*$",
        description="Which time out, for a logger whose clock is set anew for each; its checks count for it alone",
        examples=["T-02"],
    ),
]
Unit = Annotated[
    str, Field(min_length=1, max_length=20, pattern="^[!-~]+$", description="A UCUM code", examples=["Cel"])
]
CheckId = Annotated[
    str,
    Field(
        pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
        description="The id of a clock check",
        examples=["0b5ff1a2-6f3f-4c6e-9f0f-6c1d6f0a7a11"],
    ),
]
EXAMPLE_CHECK: Final = "0b5ff1a2-6f3f-4c6e-9f0f-6c1d6f0a7a11"
_SOURCE: dict[str, Any] = {
    "place": None,
    "what": "logger for jars",
    "serial": "77-0101",
    "interval_s": 600,
    "max_gap_s": None,
    "quantities": ["temperature", "frost_point"],
    "zone": "UTC",
    "good_until": "2027-01-31",
    "layout": "PLAIN",
    "readers": ["TSI"],
}
_NAMED: dict[str, Any] = {"code": "LG-101", "institution": "TRP", "kind": "logger"}


class SourceContent(Strict):
    """What may change about a logger or sensor."""

    place: DocumentCode | None = Field(None, description="Where a sensor hangs; null for a logger", examples=[None])
    what: Words = Field(description="What it is", examples=["logger for jars"])
    serial: str = Field("", max_length=60, pattern=r"^[ -~]*$", description="Its serial number", examples=["77-0101"])
    interval_s: int = Field(ge=1, le=2_678_400, description="Seconds from one reading to the next", examples=[600])
    max_gap_s: int | None = Field(
        None,
        ge=1,
        le=31_622_400,
        description="Readings further apart leave a gap between them; null: three intervals, half an hour at least",
        examples=[None],
    )
    quantities: list[QuantityName] = Field(
        min_length=1, max_length=7, description="What it measures", examples=[["temperature", "frost_point"]]
    )
    zone: ZoneName = Field("UTC", description="The zone of its own clock, and of its calibration", examples=["UTC"])
    good_until: Day | None = Field(
        None, description="The last local day of its calibration; null: not known", examples=["2027-01-31"]
    )
    layout: DocumentCode | None = Field(
        None, description="How its tables are read, where an upload does not say", examples=["PLAIN"]
    )
    readers: list[InstitutionCode] = Field(
        [],
        max_length=20,
        description="Institutions that may send what it recorded, beside its own",
        examples=[["TSI"]],
    )


class SourceChange(SourceContent, Told):
    """A new version of a logger or sensor."""

    model_config = example(_SOURCE, TOLD, {"good_until": "2028-01-31", "because": "Calibrated anew"})


class SourceNew(SourceContent, Told):
    """A logger or sensor not yet known."""

    model_config = example({"code": "LG-777", "institution": "TRP", "kind": "logger"}, _SOURCE, TOLD)
    code: DocumentCode
    institution: InstitutionCode
    kind: Literal["logger", "sensor"] = Field(description="It travels, or hangs in a place", examples=["logger"])


_LAPSED: dict[str, Any] = {"calibration_lapsed": False}


class SourceShown(SourceContent, Version):
    """A logger or sensor in one version."""

    model_config = example(_NAMED, _SOURCE, VERSION, _LAPSED)
    code: DocumentCode
    institution: InstitutionCode
    kind: Literal["logger", "sensor"] = Field(description="It travels, or hangs in a place", examples=["logger"])
    serial: str = Field(description="Its serial number", examples=["77-0101"])
    zone: ZoneName = Field(description="The zone of its own clock, and of its calibration")
    readers: list[InstitutionCode] = Field(description="Who else may send what it recorded", examples=[["TSI"]])
    calibration_lapsed: bool = Field(
        description="Whether its calibration is over at the moment asked about; values stay as they are",
        examples=[False],
    )


class SourcePage(Listing):
    """Loggers and sensors in the order of their codes."""

    model_config = example({"items": [_NAMED | _SOURCE | VERSION | _LAPSED], "next": None})
    items: list[SourceShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


# ------------------------------------------------------------------------------------------------------------ layouts
_LAYOUT: dict[str, Any] = {
    "columns": [{"column": 2, "quantity": "temperature", "unit": "Cel"}],
    "time_columns": [1],
    "time_format": "iso",
    "zone": None,
    "delimiter": ",",
    "decimal": ".",
    "heading_rows": 1,
    "no_reading": [],
}
_PLAIN: dict[str, Any] = {"what": "time and temperature", "content": _LAYOUT}


class LayoutColumn(Strict):
    """A column of readings."""

    column: int = Field(ge=1, le=1000, description="Its place, counted from 1", examples=[2])
    quantity: QuantityName = Field(description="What it is of", examples=["temperature"])
    unit: Unit


class LayoutBody(Strict):
    """How the columns of a table are to be read."""

    model_config = example(_LAYOUT)
    columns: list[LayoutColumn] = Field(min_length=1, max_length=7, description="Columns of readings")
    time_columns: list[int] = Field(
        [1], min_length=1, max_length=2, description="One, or date and time", examples=[[1]]
    )
    time_format: str = Field(
        "iso",
        max_length=40,
        pattern="^[ -~]+$",
        description="`iso` (RFC 3339, the offset may be missing), `epoch_s`, `epoch_ms`, or a pattern of YYYY, YY, MM, "
        "DD, HH, mm, ss, or hh and AM",
        examples=["DD.MM.YYYY HH:mm:ss"],
    )
    zone: ZoneName | None = Field(
        None, description="The zone of times without an offset; null: that of the source", examples=["Europe/London"]
    )
    delimiter: Literal[",", ";", "\t", "|"] = Field(",", description="What stands between cells", examples=[";"])
    decimal: Literal[".", ","] = Field(".", description="The decimal sign", examples=[","])
    heading_rows: int = Field(1, ge=0, le=1000, description="Lines above the readings", examples=[1])
    no_reading: list[Annotated[str, Field(max_length=20)]] = Field(
        [], max_length=20, description="Cells that say that there was no reading, beside empty ones", examples=[["---"]]
    )


class LayoutContent(Strict):
    """What may change about a layout."""

    what: Words = Field(description="Whose tables look like this", examples=["time and temperature"])
    content: LayoutBody


class LayoutChange(LayoutContent, Told):
    """A new version of a layout. What was read by an older one stays as it was read."""

    model_config = example(_PLAIN, TOLD)


class LayoutNew(LayoutContent, Told):
    """A layout not yet known."""

    model_config = example({"code": "SEMICOLONS", "institution": "TRP"}, _PLAIN, TOLD)
    code: DocumentCode
    institution: InstitutionCode


class LayoutShown(LayoutContent, Version):
    """A layout in one version."""

    model_config = example({"code": "PLAIN", "institution": "TRP"}, _PLAIN, VERSION)
    code: DocumentCode
    institution: InstitutionCode


class LayoutPage(Listing):
    """Layouts in the order of their codes."""

    model_config = example({"items": [{"code": "PLAIN", "institution": "TRP"} | _PLAIN | VERSION], "next": None})
    items: list[LayoutShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


# -------------------------------------------------------------------------------------------------------- clock checks
_CHECK: dict[str, Any] = {"run": "T-05", "logger_at": "2025-04-30T16:20:41Z", "true_at": "2025-04-30T15:20:00Z"}
_CHECK_TOLD: dict[str, Any] = {
    "id": EXAMPLE_CHECK,
    **_CHECK,
    "offset_s": 3641.0,
    "amends": None,
    "withdrawn": False,
    "recorded_at": "2025-04-30T15:22:00Z",
    "actor": VERSION["actor"],
    "because": "",
    "marks": [],
}


class CheckNew(Strict):
    """What a logger's clock showed at a true time."""

    model_config = example(_CHECK)
    run: Run = ""
    logger_at: Instant = Field(description="What it showed, in the zone that its document declares")
    true_at: Instant = Field(description="What a right clock showed at that moment")
    because: str = Field(
        "", max_length=500, pattern=r"^[^\x00-\x1f\x7f]*$", description="How it was compared", examples=[""]
    )


class CheckAmending(Strict):
    """That a check was otherwise than it was told, or is withdrawn."""

    model_config = example(
        {"logger_at": "2025-04-30T16:20:44Z", "true_at": "2025-04-30T15:20:00Z"},
        {"withdrawn": False, "expected": None, "because": "Misread"},
    )
    logger_at: Instant | None = Field(None, description="What it showed; left out: as told", examples=[None])
    true_at: Instant | None = Field(None, description="The true time; left out: as told", examples=[None])
    withdrawn: bool = Field(False, description="Whether there was no such check after all", examples=[False])
    expected: CheckId | None = Field(
        None, description="The newest amendment that you saw; null: there was none", examples=[None]
    )
    because: Words


class CheckOut(Strict):
    """A clock check as it stands."""

    model_config = example(_CHECK_TOLD)
    id: CheckId
    run: Run
    logger_at: Instant
    true_at: Instant
    offset_s: float = Field(description="How far the clock was fast, in s; below zero: slow", examples=[3641.0])
    amends: CheckId | None = Field(description="The check that this takes the place of", examples=[None])
    withdrawn: bool = Field(description="Whether it says that there was no such check", examples=[False])
    recorded_at: Instant = Field(description="When it was told")
    actor: str = Field(description="Id of who told it", examples=[VERSION["actor"]])
    because: str = Field(description="How it was compared, or why it is amended", examples=[""])
    marks: list[str] = Field(
        description="`clock_runs_back`: with another check of the run it ran backwards; the later told holds",
        examples=[[]],
    )


class CorrectionOut(Strict):
    """How the times of one run are set right."""

    run: Run
    checks: Count = Field(description="Checks that it rests on: one gives an offset, two also a drift", examples=[2])
    offset_s: float = Field(description="How far the clock was fast at the last check, in s", examples=[3641.0])
    drift_s_per_day: float | None = Field(
        description="Seconds that it gains in a day; null below two checks", examples=[4.4164]
    )


class ClockOut(Strict):
    """How the clock of a source stood."""

    model_config = example(
        {
            "checks": [_CHECK_TOLD],
            "corrections": [{"run": "T-05", "checks": 1, "offset_s": 3641.0, "drift_s_per_day": None}],
        }
    )
    checks: list[CheckOut] = Field(description="Those in force, in the order told")
    corrections: list[CorrectionOut] = Field(description="One for each run that was checked")


def source_content(body: SourceContent) -> dict[str, Any]:
    """The columns that a request fills."""
    said = body.model_dump(exclude={"code", "valid_from", "because"})
    return {**said, "quantities": " ".join(dict.fromkeys(body.quantities)), "readers": " ".join(body.readers)}


def source_fields(row: Mapping[str, Any], lapsed: bool) -> dict[str, Any]:
    """A version as the members of an answer."""
    lists = {name: row[name].split() for name in ("quantities", "readers")}
    return {**row, **lists, "calibration_lapsed": lapsed}


def layout_content(body: LayoutContent) -> dict[str, Any]:
    """The columns that a request fills; Malformed where it is no layout."""
    said = layouts.written(layouts.read(body.content.model_dump()))
    return {**body.model_dump(exclude={"code", "valid_from", "because", "content"}), "content": json.dumps(said)}


def layout_fields(row: Mapping[str, Any]) -> dict[str, Any]:
    """A version as the members of an answer."""
    return {**row, "content": json.loads(row["content"])}


def check_out(shown: CheckShown) -> CheckOut:
    """A check as it is answered."""
    row = {name: value for name, value in shown.row.items() if name != "source"}
    return CheckOut(**row, offset_s=shown.offset.total_seconds(), marks=list(shown.marks))


def correction_out(run: str, fix: Correction) -> CorrectionOut:
    """A correction as it is answered."""
    logger_us, true_us = fix.knots[-1]
    return CorrectionOut(
        run=run, checks=len(fix.knots), offset_s=(logger_us - true_us) / 1e6, drift_s_per_day=fix.drift_s_per_day
    )
