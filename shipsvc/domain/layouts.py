"""How the columns of a table of readings are to be read: what is between cells, what is in which, how times are.

A pattern of times is written with YYYY, YY, MM, DD, HH, hh, mm, ss and AM for the halves of a day of twelve hours, such
as ``DD.MM.YYYY HH:mm:ss``. Fractions of a second may follow ``ss`` in any of them.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from shipsvc.domain.errors import Malformed
from shipsvc.domain.quantities import conversion
from shipsvc.domain.times import zone_of

DELIMITERS: Final = (",", ";", "\t", "|")
ISO: Final = "iso"
EPOCH_S: Final = "epoch_s"
EPOCH_MS: Final = "epoch_ms"
_PARTS: Final[Mapping[str, str]] = {
    "YYYY": r"(?P<year>[0-9]{4})",
    "YY": r"(?P<short_year>[0-9]{2})",
    "MM": r"(?P<month>[0-9]{1,2})",
    "DD": r"(?P<day>[0-9]{1,2})",
    "HH": r"(?P<hour>[0-9]{1,2})",
    "hh": r"(?P<hour>[0-9]{1,2})",
    "mm": r"(?P<minute>[0-9]{2})",
    "ss": r"(?P<second>[0-9]{2})(?:[.,](?P<fraction>[0-9]{1,9}))?",
    "AM": r"(?P<half>[AaPp])\.?[Mm]\.?",
}
_TOKEN: Final = re.compile("|".join(_PARTS))


@dataclass(frozen=True, slots=True)
class Column:
    """A column of readings: its place counted from 1, what it is of, in which unit (UCUM)."""

    column: int
    quantity: str
    unit: str

    def __post_init__(self) -> None:
        _require(1 <= self.column <= 1000, "columns are counted from 1 to 1000")
        conversion(self.quantity, self.unit)


@dataclass(frozen=True, slots=True)
class Layout:
    """How to read a table. ``time_columns`` are one, or date and time of day, joined by a blank; ``zone`` is that of
    times without an offset, None for the one that the source's document declares; ``no_reading`` are cells beside empty
    ones that say that there was none; the first ``heading_rows`` lines are passed over."""

    columns: tuple[Column, ...]
    time_columns: tuple[int, ...] = (1,)
    time_format: str = ISO
    zone: str | None = None
    delimiter: str = ","
    decimal: str = "."
    heading_rows: int = 1
    no_reading: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _require(self.delimiter in DELIMITERS, "cells are separated by a comma, semicolon, tab or bar")
        _require(
            self.decimal in {".", ","} and self.decimal != self.delimiter,
            "a decimal sign differs from what stands between",
        )
        _require(0 <= self.heading_rows <= 1000, "heading_rows is 0 to 1000")
        _require(1 <= len(self.time_columns) <= 2, "times stand in one column or two")
        used = [*self.time_columns, *(column.column for column in self.columns)]
        _require(
            bool(self.columns) and len(set(used)) == len(used), "each column is one thing, and one at least is read"
        )
        named = [column.quantity for column in self.columns]
        _require(len(set(named)) == len(named), "a quantity has one column")
        if self.zone is not None:
            zone_of(self.zone)
        if self.time_format not in {ISO, EPOCH_S, EPOCH_MS}:
            pattern(self.time_format)


def pattern(written: str) -> re.Pattern[str]:
    """The regular expression of a pattern of times. Malformed where it lacks a year, month, day, hour or minute."""
    at, parts = 0, []
    for token in _TOKEN.finditer(written):
        parts += [re.escape(written[at : token.start()]), _PARTS[token[0]]]
        at = token.end()
    try:
        found = re.compile("".join([*parts, re.escape(written[at:])]))
    except re.error:
        raise Malformed(why=f"{written[:60]!r} names the same part of a time twice") from None
    missing = {"month", "day", "hour", "minute"} - found.groupindex.keys()
    years = {"year", "short_year"} & found.groupindex.keys()
    _require(not missing and len(years) == 1, f"{written[:60]!r} is no pattern of a time, such as DD.MM.YYYY HH:mm:ss")
    _require(("hh" in written) == ("half" in found.groupindex), "hh goes with AM, and HH without it")
    return found


def read(content: Mapping[str, Any]) -> Layout:
    """The layout that JSON says. Malformed where it cannot be one."""
    columns = tuple(Column(**one) for one in content["columns"])
    lists = {name: tuple(content[name]) for name in ("time_columns", "no_reading") if name in content}
    return Layout(**{**content, **lists, "columns": columns})


def written(layout: Layout) -> dict[str, Any]:
    """A layout as JSON has it."""
    columns = [{"column": one.column, "quantity": one.quantity, "unit": one.unit} for one in layout.columns]
    return {
        "columns": columns,
        "time_columns": list(layout.time_columns),
        "time_format": layout.time_format,
        "zone": layout.zone,
        "delimiter": layout.delimiter,
        "decimal": layout.decimal,
        "heading_rows": layout.heading_rows,
        "no_reading": list(layout.no_reading),
    }


def _require(holds: bool, why: str) -> None:
    if not holds:
        raise Malformed(why=f"a layout: {why}")
