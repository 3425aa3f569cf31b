"""The log by itself: whether each row still is what was recorded, and which things facts ever brought together."""

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app.fsck_rules import Said
from shipsvc.store import fsck_reads
from shipsvc.store.engine import Row

Trips = Callable[[str | None, datetime], tuple[str, str, str] | None]


@dataclass(frozen=True)
class Finding:
    """Something that is not as it should be: what, of which item or fact, when, what was expected, what was found."""

    what: str
    about: str
    expected: Any = None
    found: Any = None
    at: datetime | None = None

    def __str__(self) -> str:
        when = f" at {_instant(self.at)}" if self.at else ""
        return f"{self.about}{when}: {self.what}: expected {self.expected!s}, found {self.found!s}"


@dataclass
class Log:
    """What one reading of the log leaves behind: ids by the numbers they name, their amendments, and what is near what.

    Memory grows with the number of facts, by their ids alone; their content is read again group by group.
    """

    ids: dict[str, list[str]] = field(default_factory=dict)
    amendments: dict[str, list[str]] = field(default_factory=dict)
    _near: dict[str, str] = field(default_factory=dict)

    def root(self, number: str) -> str:
        """One number that stands for all that were ever near this one."""
        top = number
        while self._near.get(top, top) != top:
            top = self._near[top]
        while number != top:
            self._near[number], number = top, self._near.get(number, top)
        return top

    def groups(self) -> list[list[str]]:
        """Numbers that facts ever brought together, in sorted groups."""
        found: dict[str, list[str]] = {}
        for number in sorted(self.ids):
            found.setdefault(self.root(number), []).append(number)
        return list(found.values())

    def versions(self, original: str) -> list[str]:
        """The ids of a fact and of its amendments, oldest first."""
        return [original, *self.amendments.get(original, ())]

    def note_down(self, original: str, said: Said) -> None:
        """Remember which numbers a version of a fact names, and which of them it brings together."""
        named = said.named()
        for number in named:
            self.ids.setdefault(number, [])
            if self.ids[number][-1:] != [original]:
                self.ids[number].append(original)
        subjects = {number for number, _ in said.subjects}
        for number in named - subjects:  # boxes, pieces, parents: what a subject has to do with
            for subject in subjects:
                self._near[self.root(number)] = self.root(subject)


def read(connection: sa.Connection, log: Log, step: Callable[[], None]) -> Iterator[Finding]:
    """Go through the whole log once; fill ``log`` and tell what is wrong with single rows and chains of amendments."""
    seen: dict[str, bool] = {}
    for row in fsck_reads.log(connection):
        yield from _row(row)
        yield from _chain(row, seen, log)
        seen[row["id"]] = row["amends"] is not None
        said = said_in(row, row["amends"] or row["id"], row["acting_for"], _nowhere)
        if row["amends"]:
            log.amendments.setdefault(row["amends"], []).append(row["id"])
        if said:
            log.note_down(row["amends"] or row["id"], said)
        named = said.body.get("logger") if said and said.kind in ("logger_placed", "logger_removed") else None
        if row["logger"] != named:
            yield Finding("the logger noted is not the one that was told", f"fact {row['id']}", named, row["logger"])
        step()


def _row(row: Row) -> Iterator[Finding]:
    left = {"row_digest", "note", "salt"}
    content = {name: _plain(value) for name, value in row.items() if name not in left}
    request = {"request": row["request_digest"], **{name: content[name] for name in _IN_DIGEST}}
    for name, digest in (("digest", _sha256(request)), ("row_digest", _sha256(content))):
        if row[name] != digest:
            yield Finding(f"the {name} does not fit the row", f"fact {row['id']}", digest, row[name])
    if row["note"] is not None:
        salted = hashlib.sha256(f"{row['salt']}{row['note']}".encode()).hexdigest()
        if row["note_digest"] != salted:
            yield Finding("the note is not the one that was told", f"fact {row['id']}", row["note_digest"], salted)


_IN_DIGEST = ("actor", "acting_for", "happened_at", "recorded_at")


def _plain(value: Any) -> Any:
    return _instant(value) if isinstance(value, datetime) else value


def _instant(at: datetime) -> str:
    return at.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"


def _sha256(content: Mapping[str, Any]) -> str:
    # Of texts, whole numbers and null, with ASCII names, RFC 8785 is JSON with sorted names and nothing between.
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _chain(row: Row, seen: Mapping[str, bool], log: Log) -> Iterator[Finding]:
    about, original = f"fact {row['id']}", row["amends"]
    if (row["kind"] == "amended") != (original is not None):
        yield Finding("what amends names what it amends", about, "both or neither", f"{row['kind']} of {original}")
    if original is None:
        return
    if original not in seen:
        yield Finding("it amends what was not recorded before it", about, "an earlier fact", original)
    elif seen[original]:
        yield Finding("it amends an amendment", about, "an original", original)
    before = next(reversed(log.amendments.get(original, [])), None)
    follows = json.loads(row["body"]).get("expected")
    if follows != before:
        yield Finding("it does not follow the amendment before it", about, before, follows)


def _nowhere(_code: str | None, _at: datetime) -> None:
    return None


def said_in(row: Row, original: str, first_teller: str, trips: Trips) -> Said | None:
    """The fact that a row holds, under the id of the original; None where it withdraws it."""
    body, kind, subjects = json.loads(row["body"]), row["kind"], json.loads(row["subjects"])
    if kind == "amended":
        new = body["replacement"]
        if new is None:
            return None
        kind, subjects, body = new["kind"], new["subjects"], new["body"]
    if row["acting_for"] != first_teller:
        body = {"party": first_teller, **body}
    return Said(
        id=original,
        kind=kind,
        subjects=tuple((number, serial) for number, serial in subjects),
        at=row["happened_at"],
        recorded_at=row["recorded_at"],
        teller=row["acting_for"],
        body=body,
        thread=(row["device"], row["boot"]) if row["sequence"] is not None else None,
        count=row["sequence"] or 0,
        place=row["place_in_request"],
        trip=trips(row["shipment"], row["happened_at"]),
    )


def trips_by(versions: Mapping[str, list[Row]]) -> Trips:
    """A look-up of shipments at an instant: the version then valid, or the first; (code, consignor, addressee)."""

    def at(code: str | None, instant: datetime) -> tuple[str, str, str] | None:
        rows = versions.get(code or "", [])
        valid = [row for row in rows if row["valid_from"] <= instant] or rows[:1]
        return (valid[-1]["code"], valid[-1]["consignor"], valid[-1]["addressee"]) if valid else None

    return at


# ------------------------------------------------------------------------------------------------------- finding aids
def balances(connection: sa.Connection) -> Iterator[Finding]:
    """Which facts and amendments name which balances, against what is noted of that."""
    expected: set[tuple[str, str]] = set()
    for row in fsck_reads.naming_balances(connection):
        body = json.loads(row["body"])
        said = (body["replacement"] or {}).get("body", {}) if "replacement" in body else body
        for words in (said, said.get("loss") or {}, *said.get("children", ()), *said.get("parents", ())):
            if words.get("balance"):
                expected.add((row["id"], words["balance"]))
    for event_id, code in sorted(expected ^ fsck_reads.named_balances(connection)):
        missing = (event_id, code) in expected
        about = f"fact {event_id}"
        yield Finding("what event_balance notes", about, code if missing else None, None if missing else code)
