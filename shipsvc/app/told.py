"""A fact as somebody tells it, before it is recorded, and what becomes of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from shipsvc.domain import errors
from shipsvc.domain.facts import Named


@dataclass(frozen=True)
class Envelope:
    """How a request came: no part of a fact's identity (rulings 5). ``device_now`` is the device's clock at upload."""

    device: str = ""
    device_now: datetime | None = None
    boot: str = ""


@dataclass(frozen=True)
class When:
    """A time as told: RFC 3339 with offset, or a bare local date. ``boot`` names the device's run it was read in."""

    raw: str
    source: str = "typed"
    uncertainty_s: int = 0
    sequence: int | None = None
    boot: str | None = None


@dataclass(frozen=True)
class Told:
    """One fact, checked for its shape. ``request`` is what the client sent, word for word, without the note."""

    id: str
    kind: str
    subjects: tuple[Named, ...]
    when: When
    acting_for: str
    body: Mapping[str, Any]
    request: Mapping[str, Any] = field(default_factory=dict)
    amends: str | None = None
    replacement: "Told | None" = None
    note: str | None = None

    @property
    def content(self) -> "Told | None":
        """What is to hold: the fact itself, or what an amendment puts in the place of another (None: nothing)."""
        return self.replacement if self.amends else self


@dataclass(frozen=True)
class Answer:
    """What the teller is told back, and whether it was said before."""

    body: Mapping[str, Any]
    replayed: bool = False


Result = Answer | errors.ShipsvcError
