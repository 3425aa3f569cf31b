"""Messages of live sensors, gathered until they are worth an upload: each record resolved as it came.

RFC 8428 section 4.6 has records resolved before they are kept, since a time that is relative to now means nothing
later. A message that is no SenML is kept too, as a line that is listed as bad.
"""

import json
from dataclasses import dataclass, field
from typing import Any, Final

from shipsvc.app.reading_senml import cbor
from shipsvc.domain import errors
from shipsvc.domain.senml import Resolved, Resolver

#: Records of one source that are enough for an upload before its time.
ENOUGH: Final = 1000
BAD_MAX: Final = 1000


@dataclass
class Inbox:
    """What came and is not stored yet: of each source its lines, and the marks of the messages that they came in."""

    lines: dict[str, list[str]] = field(default_factory=dict)
    marks: dict[str, list[Any]] = field(default_factory=dict)

    def take(self, source: str, payload: bytes, now_s: float, mark: Any) -> bool:
        """Take in one message; whether its source has enough for an upload now. ``mark`` is given back by ``drain``."""
        lines = self.lines.setdefault(source, [])
        self.marks.setdefault(source, []).append(mark)
        lines += _lines(payload, now_s)
        return len(lines) >= ENOUGH

    def drain(self, source: str) -> tuple[bytes, list[Any]]:
        """All lines of a source, and the marks of its messages; they are forgotten here."""
        text = "".join(f"{line}\n" for line in self.lines.pop(source, []))
        return text.encode(), self.marks.pop(source, [])


def _lines(payload: bytes, now_s: float) -> list[str]:
    try:
        pack = _pack(payload)
    except errors.Malformed as error:
        # No quotation mark, brace or bracket in front: it must not turn out to be JSON.
        return [f"{error.facts['why']}: {payload[:BAD_MAX]!r}"]
    resolver = Resolver(now_s)
    return [_line(resolver, record) for record in pack]


def _line(resolver: Resolver, record: Any) -> str:
    try:
        return json.dumps(_resolved(resolver.take(record)), separators=(",", ":"))
    except errors.Malformed as error:
        return f"{error.facts['why']}: {str(record)[:BAD_MAX]!r}"


def _resolved(found: Resolved) -> dict[str, Any]:
    said = {"n": found.name, "u": found.unit, "t": found.at_s, "v": found.value, "s": found.sum}
    other = [found.other] if found.other else []
    return {label: value for label, value in [*said.items(), *other] if value is not None and not _is_bytes(value)}


def _is_bytes(value: Any) -> bool:
    return isinstance(value, bytes)


def _pack(payload: bytes) -> list[Any]:
    """JSON or CBOR, told by the first byte: a JSON pack begins with a bracket, which no CBOR list of records does."""
    try:
        is_json = payload.lstrip()[:1] == b"["
        found = json.loads(payload) if is_json else cbor(payload)
    except (ValueError, RecursionError) as error:
        raise errors.Malformed(why=f"it is no SenML ({error})") from None
    if not isinstance(found, list):
        raise errors.Malformed(why="it is no SenML: a pack is a list of records")
    return found
