"""Layouts of tables that cannot be wrong, and the patterns of their times."""

from typing import Any

import pytest

from shipsvc.domain import errors, layouts
from shipsvc.domain.layouts import Column, Layout

TEMPERATURE = Column(2, "temperature", "Cel")


def test_what_is_written_is_read_again() -> None:
    """Through JSON and back it is the same layout."""
    layout = Layout(
        (TEMPERATURE, Column(4, "oxygen", "%")), (1, 3), "DD.MM.YYYY HH:mm", "Europe/Berlin", ";", ",", 3, ("-",)
    )
    assert layouts.read(layouts.written(layout)) == layout
    assert layouts.read({"columns": [{"column": 2, "quantity": "temperature", "unit": "Cel"}]}) == Layout(
        (TEMPERATURE,)
    )


@pytest.mark.parametrize(
    ("written", "text", "parts"),
    [
        ("DD.MM.YYYY HH:mm:ss", "30.04.2025 15:20:00", ("30", "04", "2025", "15", "20", "00")),
        ("YYYY/MM/DD HH:mm:ss", "2025/4/30 5:20:00.25", ("30", "4", "2025", "5", "20", "00")),
    ],
)
def test_patterns(written: str, text: str, parts: tuple[str, ...]) -> None:
    """Each part is found by its letters."""
    found = layouts.pattern(written).fullmatch(text)
    assert found is not None
    assert found.group("day", "month", "year", "hour", "minute", "second") == parts


@pytest.mark.parametrize("written", ["", "iso8601", "DD.MM.YYYY", "DD.MM.YY YYYY HH:mm", "DD.MM.YYYY hh:mm", "HH HH"])
def test_no_patterns(written: str) -> None:
    """What cannot tell an instant is none: twelve hours without their half, a part twice, a date alone."""
    with pytest.raises(errors.Malformed):
        layouts.pattern(written)


@pytest.mark.parametrize(
    "wrong",
    [
        {"delimiter": "x"},
        {"delimiter": ",", "decimal": ","},
        {"heading_rows": -1},
        {"time_columns": ()},
        {"time_columns": (2,)},
        {"columns": ()},
        {"columns": (TEMPERATURE, Column(3, "temperature", "K"))},
        {"zone": "Nowhere"},
        {"time_format": "DD"},
    ],
)
def test_layouts_that_cannot_be(wrong: dict[str, Any]) -> None:
    """Each is refused when it is made."""
    with pytest.raises(errors.Malformed):
        Layout(**({"columns": (TEMPERATURE,)} | wrong))
    with pytest.raises(errors.Malformed):
        Column(2, "temperature", "lx")
