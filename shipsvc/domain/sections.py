"""The account of a section: item, area and thickness (trade step 9, case 42).

What a block or a section weighs is mostly resin, so its mass account has ended. Instead it is counted how large the
piece is, how much of that has been used - pits, lamellae, damaged ground - and how thick it is after each polish. Areas
are whole square micrometres, thicknesses whole nanometres.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from shipsvc.domain.errors import Malformed

UM2_IN_MM2: Final = 1_000_000
NM_IN_UM: Final = 1_000
#: What begins such an account: it is made by embedding, or cut off another section.
BEGINS: Final = frozenset({"embedded", "divided"})
#: What is done to one.
CHANGES: Final = frozenset({"used", "loss_noted", "divided"})
_DIGITS: Final = re.compile(r"[0-9]{1,9}(\.[0-9]{1,6})?")


@dataclass(frozen=True, slots=True)
class Act:
    """A fact that bears on a section: which, of which kind, when, and what it says."""

    event_id: str
    kind: str
    at: datetime
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """What an act did: the area that it took in um^2, and the thickness after it in nm, as far as it says."""

    event_id: str
    kind: str
    at: datetime
    area_um2: int | None
    thickness_nm: int | None


@dataclass(frozen=True, slots=True)
class Section:
    """The account of one section: the act that began it, its resin, its area and thickness at first, and what was done
    to it since. ``ended``: nothing is left."""

    begun: Act
    resin: str | None
    area_um2: int | None
    first_thickness_nm: int | None
    changes: tuple[Change, ...]
    ended: bool

    @property
    def used_um2(self) -> int:
        """The area that was taken."""
        return sum(change.area_um2 or 0 for change in self.changes)

    @property
    def left_um2(self) -> int | None:
        """The area that is left; below zero where more was told taken than there was, None where none was stated."""
        if self.area_um2 is None:
            return None
        return 0 if self.ended else self.area_um2 - self.used_um2

    @property
    def thickness_nm(self) -> int | None:
        """How thick it is, by the last word about that."""
        told = [change.thickness_nm for change in self.changes if change.thickness_nm is not None]
        return told[-1] if told else self.first_thickness_nm


def area_um2(text: str) -> int:
    """An area in mm^2 as typed, in whole um^2; Malformed where it is none, or finer."""
    return _scaled(text, UM2_IN_MM2, "mm2")


def thickness_nm(text: str) -> int:
    """A thickness in um as typed, in whole nm; Malformed where it is none, or finer."""
    return _scaled(text, NM_IN_UM, "um")


def _scaled(text: str, factor: int, unit: str) -> int:
    if not _DIGITS.fullmatch(text):
        raise Malformed(why=f"{text} is no plain number of {unit}")
    scaled = Decimal(text) * factor
    if scaled != scaled.to_integral_value():
        raise Malformed(why=f"{text} {unit} has more digits than are kept")
    return int(scaled)


def account(number: str, acts: Iterable[Act]) -> Section | None:
    """The account of a section from what was told of it, in order of time; None where none has begun.

    Begun again, by a further embedding, it is another account.
    """
    found: Section | None = None
    for act in acts:
        piece = _piece(number, act) if act.kind in BEGINS else None
        if piece is not None and (act.kind == "embedded" or piece.get("area_mm2") or piece.get("thickness_um")):
            resin = act.body.get("resin") or (found.resin if found else None)
            found = Section(act, resin, _area(piece), _thickness(piece), (), ended=False)
        elif found is not None and act.kind in CHANGES and piece is None:
            change = Change(act.event_id, act.kind, act.at, _taken(act), _thickness(act.body))
            ended = found.ended or act.body.get("all" if act.kind == "used" else "ends") is True
            found = Section(
                found.begun, found.resin, found.area_um2, found.first_thickness_nm, (*found.changes, change), ended
            )
    return found


def _piece(number: str, act: Act) -> Mapping[str, Any] | None:
    pieces = act.body.get("children") or ()
    return next((piece for piece in pieces if piece.get("number") == number), None)


def _taken(act: Act) -> int | None:
    if act.kind != "divided":
        return _area(act.body)
    areas = [_area(piece) for piece in act.body.get("children") or ()]
    return sum(area or 0 for area in areas) or None


def _area(words: Mapping[str, Any]) -> int | None:
    return area_um2(words["area_mm2"]) if words.get("area_mm2") else None


def _thickness(words: Mapping[str, Any]) -> int | None:
    return thickness_nm(words["thickness_um"]) if words.get("thickness_um") else None
