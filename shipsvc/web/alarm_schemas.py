"""Alarms, previews of tables and cold endurance as JSON has them."""

from typing import Any, Final, Literal

from pydantic import Field

from shipsvc.domain.endurance import CAUTION
from shipsvc.web.document_schemas import example
from shipsvc.web.reading_schemas import BadLine
from shipsvc.web.report_examples import AT
from shipsvc.web.report_schemas import Reported
from shipsvc.web.schemas import Count, DocumentCode, Instant, Strict
from shipsvc.web.source_schemas import LayoutBody, QuantityName

ALARM: Final[dict[str, Any]] = {
    "kind": "breach",
    "about": "PS-TRP-GB1",
    "place": "TRP-GB1",
    "since": "2025-06-08T02:00:00Z",
    "until": "2025-06-08T03:30:00Z",
    "quantity": "oxygen",
    "peak": 180.0,
}


class AlarmRow(Strict):
    """Something that wants looking at."""

    model_config = example(ALARM)
    kind: Literal["breach", "silence", "no_word"] = Field(
        description="A place beyond its limits within a day, a sensor that is silent, a shipment without word",
        examples=["breach"],
    )
    about: DocumentCode = Field(description="The sensor, or the shipment", examples=["PS-TRP-GB1"])
    place: DocumentCode | None = Field(description="Where the sensor hangs; null of a shipment", examples=["TRP-GB1"])
    since: Instant = Field(description="Since when")
    until: Instant | None = Field(description="When it was over; null: it goes on")
    quantity: QuantityName | None = Field(description="What was beyond its limit", examples=["oxygen"])
    peak: float | None = Field(description="The furthest reading, in the canonical unit", examples=[180.0])


class AlarmsReport(Reported):
    """Alarms by kind, and by what they are about."""

    model_config = example({**AT, "next": None, "items": [ALARM]})
    items: list[AlarmRow]


class SampleRow(Strict):
    """A row as the layout reads it."""

    at: Instant = Field(description="Its time, by the logger's own clock")
    values: dict[QuantityName, float | None] = Field(
        description="Of each quantity its figure as written, null where there was no reading",
        examples=[{"temperature": -58.2}],
    )


_PREVIEW: dict[str, Any] = {
    "layout": {
        "columns": [{"column": 2, "quantity": "temperature", "unit": "Cel"}],
        "time_columns": [1],
        "time_format": "iso",
        "zone": None,
        "delimiter": ",",
        "decimal": ".",
        "heading_rows": 1,
        "no_reading": [],
    },
    "headings": ["time", "temperature"],
    "unsure": ["the unit of column 2 is taken for Cel: its heading does not say"],
    "rows": [{"at": "2025-03-24T11:10:00Z", "values": {"temperature": -58.2}}],
    "bad": [],
}


class PreviewOut(Strict):
    """What a table would be read as. Nothing is stored."""

    model_config = example(_PREVIEW)
    layout: LayoutBody | None = Field(description="The layout asked for, else one guessed; null where nothing fits")
    headings: list[str] = Field(description="The cells above the readings", examples=[["time", "temperature"]])
    unsure: list[str] = Field(description="What the guess leaves open: look at it", examples=[[]])
    rows: list[SampleRow] = Field(description="The first twenty rows by this layout")
    bad: list[BadLine] = Field(description="Lines among the first that could not be read")


_ENDURANCE: dict[str, Any] = {
    "shipment": "T-01",
    "planned_s": 432_000,
    "lasts_s": 691_200,
    "counted_on_s": 552_960,
    "margin_s": 120_960,
    "is_enough": True,
    "load_needed_g": 15_625,
    "caution": CAUTION,
}


class EnduranceOut(Strict):
    """How long the cold lasts, against how long the trip is planned to take."""

    model_config = example(_ENDURANCE)
    shipment: DocumentCode
    planned_s: Count = Field(description="From `as_of` to when it is expected, in s", examples=[432_000])
    lasts_s: Count = Field(description="Until the dry ice is gone, in s", examples=[691_200])
    counted_on_s: Count = Field(description="Of that, what is counted on: four fifths", examples=[552_960])
    margin_s: int = Field(description="What is left of it on arrival; below zero: it is short", examples=[120_960])
    is_enough: bool = Field(description="Whether it is not short", examples=[True])
    load_needed_g: Count = Field(description="A load that would be enough, in g", examples=[15_625])
    caution: str = Field(description="A reminder, not an instruction", examples=[CAUTION])
