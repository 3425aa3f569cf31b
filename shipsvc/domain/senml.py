"""Sensor Measurement Lists (SenML, RFC 8428): records resolved one after the other, base fields carried along.

What a record says of other things than figures (strings, booleans, data) resolves too; a caller that wants figures
passes it over. Units beyond those of the RFC are those that RFC 8798 adds. SenML's own codes are close to UCUM's, but
not the same.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from shipsvc.domain.errors import Malformed
from shipsvc.domain.quantities import QUANTITIES, units

#: Section 4.4: the version that this is.
VERSION: Final = 10
#: Section 4.5.3: times below it are relative to now.
RELATIVE_BELOW_S: Final = 2**28
#: Section 6, table 4: labels in CBOR.
LABELS: Final[Mapping[int, str]] = {
    -1: "bver",
    -2: "bn",
    -3: "bt",
    -4: "bu",
    -5: "bv",
    -6: "bs",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}
#: Codes of section 12.1 and of RFC 8798 that UCUM writes otherwise.
UCUM: Final[Mapping[str, str]] = {"%RH": "%", "/": "1", "ppm": "[ppm]", "ppb": "[ppb]"}
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_NUMBERS: Final = ("bt", "bv", "bs", "bver", "v", "s", "t", "ut")
_TEXTS: Final = ("bn", "bu", "n", "u", "vs")
_VALUES: Final = ("v", "vs", "vb", "vd")


@dataclass(frozen=True, slots=True)
class Resolved:
    """A record by itself: its whole name, its unit (None: not said), its absolute time in POSIX seconds, its figure
    (None: it has none), its sum, and what else it says, by its label."""

    name: str
    unit: str | None
    at_s: float
    value: float | None
    sum: float | None = None
    other: tuple[str, Any] | None = None


@dataclass
class Resolver:
    """Resolves the records of one pack or stream in their order; ``now_s`` is when they were received."""

    now_s: float
    base: dict[str, Any] = field(default_factory=dict)

    def take(self, record: Any) -> Resolved:
        """The record with its base fields taken in. Malformed, with the reason; base fields of it hold all the same."""
        if not isinstance(record, Mapping):
            raise Malformed(why="a SenML record is an object")
        said: dict[Any, Any] = {
            LABELS.get(label, label) if isinstance(label, int) else label: v for label, v in record.items()
        }
        _check(said)
        self.base |= {label: said[label] for label in ("bn", "bt", "bu", "bv", "bs", "bver") if label in said}
        if self.base.get("bver", VERSION) > VERSION:
            raise Malformed(why=f"SenML of version {self.base['bver']} is not known here, only up to {VERSION}")
        return self._resolved(said)

    def _resolved(self, said: Mapping[str, Any]) -> Resolved:
        name = self.base.get("bn", "") + said.get("n", "")
        if not _NAME.fullmatch(name):
            raise Malformed(why=f"{name[:60]!r} is no SenML name")
        at_s = self.base.get("bt", 0) + said.get("t", 0)
        at_s = at_s if at_s >= RELATIVE_BELOW_S else self.now_s + at_s
        values = [label for label in _VALUES if label in said]
        if len(values) > 1 or not (values or "s" in said or "bs" in self.base or "bv" in self.base):
            raise Malformed(why="a SenML record holds one value, or a sum")
        figure = None
        if not values or values == ["v"]:
            figure = self.base.get("bv", 0) + said["v"] if values else self.base.get("bv")
        total = self.base.get("bs", 0) + said.get("s", 0) if "s" in said or "bs" in self.base else None
        other = (values[0], said[values[0]]) if values and values != ["v"] else None
        return Resolved(name, said.get("u", self.base.get("bu")), at_s, figure, total, other)


def _check(said: Mapping[Any, Any]) -> None:
    for label, value in said.items():
        # Section 4.4: what ends in an underscore must be understood; all else unknown is passed over.
        if not isinstance(label, str) or (label.endswith("_") and label not in _NUMBERS + _TEXTS):
            raise Malformed(why=f"the field {str(label)[:40]!r} must be understood, and is not")
        if label in _NUMBERS and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise Malformed(why=f"{label} is a number")
        if label in _NUMBERS and not abs(value) < 1e15:  # NaN and infinity, too
            raise Malformed(why=f"{label} is out of all bounds")
        if label in _TEXTS and not isinstance(value, str):
            raise Malformed(why=f"{label} is a text")


def resolve(pack: Any, now_s: float) -> Iterator[Resolved]:
    """The records of a pack, each by itself. Malformed at the first that cannot be."""
    if not isinstance(pack, list):
        raise Malformed(why="a SenML pack is a list of records")
    resolver = Resolver(now_s)
    for record in pack:
        yield resolver.take(record)


def quantity_of(resolved: Resolved, measured: tuple[str, ...]) -> tuple[str, str]:
    """Which of the ``measured`` quantities a record is of, and its UCUM unit: by the last part of its name if that is
    one, else by its unit, where only one comes in it. Malformed where neither says."""
    last = re.split(r"[:/.]", resolved.name)[-1].lower().replace("-", "_")
    unit = UCUM.get(resolved.unit, resolved.unit) if resolved.unit else None
    if last in QUANTITIES:
        if last not in measured:
            raise Malformed(why=f"the document of this source does not say that it measures {last}")
        return last, _unit(last, unit)
    fitting = [quantity for quantity in measured if unit in units(quantity)]
    if len(fitting) != 1:
        raise Malformed(why=f"{resolved.name[:60]!r} in {unit!r} does not say which of {', '.join(measured)} it is")
    return fitting[0], _unit(fitting[0], unit)


def _unit(quantity: str, unit: str | None) -> str:
    """Section 4.3: without a unit the value is in none; only what is a share can be that."""
    if unit is None:
        raise Malformed(why=f"{quantity} without a unit")
    if unit not in units(quantity):
        raise Malformed(why=f"{quantity} is not measured in {unit[:20]!r}")
    return unit
