"""The chain of custody of one item: what was told of it and of what it was in, with every amendment."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import access, items, refold
from shipsvc.app.access import Actor
from shipsvc.app.documents import COLLECTION
from shipsvc.domain import codes
from shipsvc.domain.facts import Fact
from shipsvc.store import documents, history, item_states
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.history import Key as Key  # callers ask by it
from shipsvc.store.item_states import ITEM

#: What a fact says of purposes and results; of others' facts it is not for outsiders (rulings 16).
WITHHELD: Final = frozenset({"files_sha256", "process", "purpose", "technique", "why", "words"})

#: All that a courier or an authority reads of a parcel: how it went from hand to hand, its seals and how it looked.
HANDLING: Final = frozenset(
    "released accepted rejected held freed turned_round sealed seal_checked opened refilled seen not_seen found"
    " condition_noted photographed label_attached".split()
)

#: For what is in no collection (rulings 28).
LATE_AFTER_S: Final = 86_400


@dataclass(frozen=True)
class Content:
    """What a fact says in one version: kind, when it happened, the items as told, body. None stands for withdrawn."""

    kind: str
    happened_at: datetime
    subjects: Sequence[tuple[str, int | None]]
    body: Mapping[str, Any]


@dataclass(frozen=True)
class Amended:
    """One amendment of a fact: the row it was told in, and what the fact said before."""

    row: Row
    because: str
    before: Content | None


@dataclass(frozen=True)
class Entry:
    """One fact in the history of an item. ``by_parent`` is what the item was in, where the fact was told of that;
    ``stands`` is False where the fact was withdrawn or is no longer held to be about the item."""

    row: Row
    fact: Fact
    content: Content
    by_parent: str | None
    stands: bool
    amendments: Sequence[Amended]


def page(
    connection: sa.Connection,
    actor: Actor,
    found: "items.Found",
    when: When,
    now: datetime,
    *,
    after: Key | None,
    limit: int,
) -> list[Entry]:
    """Facts about an item in order of happening, behind ``after``; as many statements whatever there is besides."""
    reader = _reader(connection, actor, found, now)
    inside = history.nests(connection, found.number, when)
    rows = history.page(connection, found.number, inside, reader, when, after=after, limit=limit)
    if not rows:
        return []
    versions = _versions(connection, {row["original_id"] for row in rows}, when)
    trips = refold.trips_of(connection, {row["shipment"] for row in rows})
    read = [_entry(row, inside, versions[row["original_id"]], trips) for row in rows]
    return _as_read(connection, actor, reader, read)


def late_after_s(connection: sa.Connection, found: "items.Found") -> int:
    """From how many seconds on a fact about the item counts as told late: a setting of its collection."""
    code = found.row["collection"]
    collection = documents.newest(connection, COLLECTION.chain, code) if code else None
    return int(collection["late_after_s"]) if collection else LATE_AFTER_S


def key_of(entry: Entry) -> Key:
    """Behind which the next page goes on."""
    row = entry.row
    return row["hit_at"], row["original_recorded_at"], row["original_place_in_request"], row["original_id"]


def _reader(connection: sa.Connection, actor: Actor, found: "items.Found", now: datetime) -> history.Reader:
    outsider, kind = access.reads_of(actor, found.row, now), found.row["kind"]
    if outsider is None:
        return history.Reader(None, kind)
    loans = history.loans_of(connection, found.number, actor.institutions)
    return history.Reader(outsider, kind, frozenset(loans), HANDLING if found.outside_only else frozenset())


def _versions(connection: sa.Connection, originals: set[str], when: When) -> dict[str, list[Row]]:
    """Of each fact its own row and those of its amendments, oldest first."""
    versions: dict[str, list[Row]] = {original: [] for original in originals}
    for row in history.amendments(connection, originals, when):
        versions[row["amends"] or row["id"]].append(row)
    return versions


def _entry(row: Row, inside: Sequence[history.Nest], versions: Sequence[Row], trips: refold.Trips) -> Entry:
    contents = [_content(version) for version in versions]
    amended = [
        Amended(version, json.loads(version["body"])["because"], before)
        for version, before in zip(versions[1:], contents, strict=False)
    ]
    content = _content(row)
    # Only what said something bears on an item: the row of a withdrawal is never one that an item is found by.
    assert content is not None
    return Entry(
        row,
        refold.fact_of(row, row["original_id"], row["original_acting_for"], trips),
        content,
        inside[row["rank"] - 1].container if row["rank"] else None,
        bool(row["stands"]) and contents[-1] is not None,
        amended,
    )


def _content(row: Row) -> Content | None:
    kind, subjects, body = row["kind"], json.loads(row["subjects"]), json.loads(row["body"])
    if kind == "amended":
        if body["replacement"] is None:
            return None
        kind, subjects, body = (body["replacement"][name] for name in ("kind", "subjects", "body"))
    return Content(kind, row["happened_at"], [(number, serial) for number, serial in subjects], body)


# ---------------------------------------------------------------------------------------------------- for whose eyes
def _as_read(connection: sa.Connection, actor: Actor, reader: history.Reader, entries: Sequence[Entry]) -> list[Entry]:
    """The entries without what is not the reader's to see: other people's items, purposes and results."""
    if actor.sees_all:
        return list(entries)
    contents = [c for entry in entries for c in (entry.content, *(a.before for a in entry.amendments)) if c]
    named = {number for content in contents for number in _named(content)}
    seen = item_states.visible_among(connection, named, access.sees(actor, ITEM.c.number))
    return [_entry_for(entry, reader, seen) for entry in entries]


def _named(content: Content) -> set[str]:
    pieces = [piece for name in ("children", "parents") for piece in content.body.get(name, ())]
    printed = {codes.parse_seen(code).number for code in content.body.get("prints", ())}
    return {number for number, _ in content.subjects} | {str(piece["number"]) for piece in pieces} | printed


def _entry_for(entry: Entry, reader: history.Reader, seen: set[str]) -> Entry:
    whole = reader.outsider is None or entry.row["acting_for"] in reader.outsider.institutions
    amended = [Amended(a.row, a.because, a.before and _cut(a.before, whole, seen)) for a in entry.amendments]
    content = _cut(entry.content, whole, seen)
    return Entry(entry.row, entry.fact, content, entry.by_parent, entry.stands, amended)


def _cut(content: Content, whole: bool, seen: set[str]) -> Content:
    subjects = [(number, serial) for number, serial in content.subjects if number in seen]
    body = {name: value for name, value in content.body.items() if whole or name not in WITHHELD}
    for name in ("children", "parents"):
        if name in body:
            body[name] = [piece for piece in body[name] if piece["number"] in seen]
    if "prints" in body:
        body["prints"] = [code for code in body["prints"] if codes.parse_seen(code).number in seen]
    return Content(content.kind, content.happened_at, subjects, body)
