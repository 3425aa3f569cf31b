"""Layouts guessed from the beginning of tables: common practice of loggers' software, no source."""

import pytest

from shipsvc.domain.guessing import guess
from shipsvc.domain.layouts import Column, Layout

TEMPERATURE = Column(2, "temperature", "Cel")


def test_a_plain_table() -> None:
    """ISO times with Z and a heading with its unit leave nothing open."""
    found = guess("time,Temp (°C)\n2025-03-24T11:10:00Z,-58.2\n2025-03-24T11:20:00Z,-58.1\n", ["temperature"])
    assert (found.layout, found.headings, found.unsure) == (Layout((TEMPERATURE,)), ("time", "Temp (°C)"), ())


def test_as_spreadsheets_write_it() -> None:
    """Semicolons, decimal commas, day and time apart, a serial number above, a column of counts passed over."""
    text = (
        "Serial;77-0101\n\nNo;Date;Time;T / °C;RH / %\n1;30.04.2025;15:20:00;20,5;8,1\n2;30.04.2025;15:35:00;20,4;8,2\n"
    )
    found = guess(text, ["temperature", "relative_humidity"])
    columns = (Column(4, "temperature", "Cel"), Column(5, "relative_humidity", "%"))
    assert found.layout == Layout(columns, (2, 3), "DD.MM.YYYY HH:mm:ss", None, ";", ",", 3)
    assert found.unsure == ("times have no offset: they are read in the zone of the source",)


@pytest.mark.parametrize(
    ("cell", "form"),
    [
        ("04/30/2025 3:20 PM", "MM/DD/YYYY hh:mm AM"),
        ("30/04/25 15:20:00", "DD/MM/YY HH:mm:ss"),
        ("2025/04/30 15:20", "YYYY/MM/DD HH:mm"),
        ("1742814600", "epoch_s"),
        ("1742814600000", "epoch_ms"),
        ("2025-04-30 15:20:00", "iso"),
    ],
)
def test_times(cell: str, form: str) -> None:
    """Each is told by how it looks."""
    found = guess(f"{cell}\t70.5\n{cell}\t70.4\n", ["temperature"])
    assert found.layout is not None
    assert (found.layout.time_format, found.layout.heading_rows, found.layout.delimiter) == (form, 0, "\t")
    assert any("column 2" in one for one in found.unsure)


def test_what_is_left_open_is_said() -> None:
    """Day and month that could be either, a unit that no heading gives."""
    found = guess("when,temperature\n03/04/2025 10:00,5\n04/04/2025 10:00,6\n", ["temperature"])
    assert found.layout is not None
    assert found.layout.time_format == "DD/MM/YYYY HH:mm"
    assert [one.split()[0] for one in found.unsure] == ["day", "the", "times"] or len(found.unsure) == 3


def test_units_of_headings() -> None:
    """Fahrenheit, parts per million, millibar: as they are headed."""
    text = "t,Temp °F,O2 ppm,Pressure mbar\n2025-03-24T11:10:00Z,70,12,1013\n"
    found = guess(text, ["temperature", "oxygen", "pressure"])
    assert found.layout is not None
    assert [(one.quantity, one.unit) for one in found.layout.columns] == [
        ("temperature", "[degF]"),
        ("oxygen", "[ppm]"),
        ("pressure", "mbar"),
    ]


@pytest.mark.parametrize("text", ["", "hello\nworld\n", "a,b\n1,2\n", "t,light\n2025-03-24T11:10:00Z,x\n"])
def test_no_table(text: str) -> None:
    """Where nothing fits, nothing is guessed."""
    found = guess(text, ["temperature"])
    assert found.layout is None
    assert found.unsure
