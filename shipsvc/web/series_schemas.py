"""Series of readings as JSON has them."""

from typing import Any

from pydantic import Field

from shipsvc.web.document_schemas import example
from shipsvc.web.schemas import Count, DocumentCode, Instant, Strict
from shipsvc.web.source_schemas import QuantityName, Unit

_POINT: dict[str, Any] = {"at": "2025-03-29T02:20:00Z", "value": -14.7}


class PointOut(Strict):
    """A reading."""

    at: Instant = Field(description="Its true time")
    value: float = Field(description="In the canonical unit of the quantity", examples=[-14.7])


class ReadingsOut(Strict):
    """Readings of one quantity of one source, in the order of time."""

    model_config = example(
        {
            "source": "LG-101",
            "quantity": "temperature",
            "unit": "Cel",
            "from_at": "2025-03-24T11:10:00Z",
            "to_at": "2025-04-01T01:00:00Z",
            "readings": 1092,
            "points": [_POINT],
            "calibration_lapsed": False,
            "provisional": False,
        }
    )
    source: DocumentCode
    quantity: QuantityName = Field(description="What was measured", examples=["temperature"])
    unit: Unit
    from_at: Instant | None = Field(description="The beginning of the window; null where there is nothing")
    to_at: Instant | None = Field(description="Its end; null where there is nothing")
    readings: Count = Field(description="How many readings the points stand for", examples=[1092])
    points: list[PointOut] = Field(description="Of each stretch its lowest and its highest reading")
    calibration_lapsed: bool = Field(description="Whether its calibration is over at `as_of`", examples=[False])
    provisional: bool = Field(description="Whether `known_on` is so near that this may still change", examples=[False])
