"""Which words await a second person, worked out a second time for ``fsck`` alone (see ``fsck_rules``)."""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from shipsvc.app.fsck_book import Documents, Scales, reading
from shipsvc.app.fsck_log import Finding, Log
from shipsvc.store import fsck_reads
from shipsvc.store.engine import Row

#: A mass may be put right by three standard uncertainties; what names things or makes them is not taken back alone.
FREE_U = 3
NAMING = {"label_attached", "registered", "divided", "combined", "embedded"}
#: Decisions that do nothing until they are confirmed.
DECIDED = {"written_off", "lost_decided", "reserve_set"}
BY_THEMSELVES = {"label_voided", "opened", *DECIDED}
Content = tuple[str, list[list[Any]], dict[str, Any]]


@dataclass(frozen=True)
class _Confirmed:
    """Who confirms which version of a fact, for whom, naming which things, and when that was recorded."""

    word: str
    row: Row
    numbers: frozenset[str]


def waiting(
    connection: sa.Connection, log: Log, documents: Documents, shipments: Mapping[str, list[Row]]
) -> set[tuple[str, str]]:
    """What awaits a second person by the log, as (version of a fact, item); ``shipments`` are all their versions."""
    senders = {code: rows[0] for code, rows in shipments.items()}
    said = _confirmations(connection, log)
    wanted: set[tuple[str, str]] = set()
    for original in sorted(log.amendments.keys() | fsck_reads.of_kinds(connection, BY_THEMSELVES)):
        rows = {row["id"]: row for row in fsck_reads.facts(connection, log.versions(original))}
        chain = [rows[one] for one in log.versions(original) if one in rows]
        wanted |= _waiting(connection, chain, said, documents, senders) if chain else set()
    return wanted


def check(connection: sa.Connection, wanted: Collection[tuple[str, str]]) -> Iterator[Finding]:
    """That against the flags as known now."""
    found = {(row["event_id"], row["item"]) for row in fsck_reads.unconfirmed(connection)}
    for event_id, item in sorted(set(wanted) ^ found):
        here = (event_id, item) in wanted
        yield Finding("awaits a second person", f"fact {event_id} of {item}", here, not here)


def _confirmations(connection: sa.Connection, log: Log) -> dict[str, list[_Confirmed]]:
    """By version of a fact, the confirmations that were not taken back or amended to be of another one."""
    held: dict[str, list[_Confirmed]] = {}
    originals = {row["amends"] or row["id"] for row in fsck_reads.confirming(connection)}
    newest = fsck_reads.facts(connection, [log.versions(original)[-1] for original in originals])
    for row in newest:
        content = _content(row)
        if content and content[0] == "confirmed":
            one = _Confirmed(content[2]["fact"], row, _numbers(content))
            held.setdefault(one.word, []).append(one)
    return held


def _waiting(
    connection: sa.Connection,
    chain: Sequence[Row],
    said: Mapping[str, list[_Confirmed]],
    documents: Documents,
    senders: Mapping[str, Row],
) -> set[tuple[str, str]]:
    """(version, item) of the newest version, if it awaits somebody; a good version is what later ones are held to."""
    nothing_good, good, waits, numbers = True, None, False, frozenset[str]()
    for row in chain:
        content = _content(row)
        numbers = _numbers(content) if content else numbers
        waits = (
            _by_itself(connection, row, content, senders)
            if nothing_good
            else _moves(good, content, _scales(documents, row))
        )
        if waits and any(_counts(connection, one, row, numbers) for one in said.get(row["id"], ())):
            waits = False
        nothing_good, good = (nothing_good, good) if waits else (False, content)
    return {(chain[-1]["id"], number) for number in numbers} if waits else set()


def _scales(documents: Documents, row: Row) -> Scales:
    """The balances on the day that a version says it happened, as they were known when it was told."""
    return documents.scales(row["happened_at"], row["recorded_at"])


def _content(row: Row) -> Content | None:
    body = json.loads(row["body"])
    if row["kind"] != "amended":
        return row["kind"], json.loads(row["subjects"]), body
    new = body["replacement"]
    return (new["kind"], new["subjects"], new["body"]) if new else None


def _numbers(content: Content) -> frozenset[str]:
    kind, subjects, body = content
    named = {number for number, _ in subjects} | ({body["into"]} if body.get("into") else set())
    if kind == "label_attached":
        named.add(body["to"])
    return frozenset(named | {entry["number"] for entry in _entries(body)})


def _entries(body: Mapping[str, Any]) -> Iterable[Mapping[str, Any]]:
    return [*body.get("children", ()), *body.get("parents", ())]


def _by_itself(connection: sa.Connection, row: Row, content: Content | None, senders: Mapping[str, Row]) -> bool:
    if content is None:
        return False
    kind, _, body = content
    if kind == "opened" and body.get("shipment"):
        first = senders.get(body["shipment"])
        if first is None or first["recorded_at"] > row["recorded_at"]:
            return False
        owners = {item["owner"] for item in fsck_reads.items(connection, _numbers(content)).values()}
        return first["consignor"].split("/")[0] != row["acting_for"] and row["acting_for"] in owners
    if kind == "reserve_set":
        return body.get("reserve") is not True
    return kind in DECIDED or (kind == "label_voided" and bool(body.get("in_use")))


def _moves(old: Content | None, new: Content | None, scales: Scales) -> bool:
    if old is not None and old[2].get("reserve") is True and (new is None or new[2].get("reserve") is not True):
        return True
    if old is None or new is None:
        kinds = {content[0] for content in (old, new) if content}
        return bool(kinds & NAMING) or _mass_moves(old, new, scales)
    return _things(old) != _things(new) or _mass_moves(old, new, scales)


def _things(content: Content) -> list[Any]:
    kind, subjects, body = content
    vial = body.get("into") if body.get("material") is True else ""
    label = body.get("to") if kind == "label_attached" else ""
    made = sorted(entry["number"] for entry in _entries(body))
    return [sorted((number, serial or 0) for number, serial in subjects), label, made, vial]


def _mass_moves(old: Content | None, new: Content | None, scales: Scales) -> bool:
    before, after = _masses(old, scales), _masses(new, scales)
    for name in {*before, *after}:
        if name not in before or name not in after:
            return True
        u = max(before[name][1], after[name][1]) ** 0.5
        if abs(before[name][0] - after[name][0]) > FREE_U * u:
            return True
    return False


def _masses(content: Content | None, scales: Scales) -> dict[tuple[str, str], tuple[int, float]]:
    if content is None:
        return {}
    body = content[2]
    whole = {**body, "mass": body.get("mass") or body.get("gross")}
    places: dict[tuple[str, str], Any] = {("", ""): whole, ("loss", ""): body.get("loss")}
    for name in ("children", "parents"):
        places |= {(name, entry["number"]): entry for entry in body.get(name, ())}
    read = {place: reading(words, scales) for place, words in places.items()}
    return {place: (mass.ng, mass.variance) for place, mass in read.items() if mass}


def _counts(connection: sa.Connection, one: _Confirmed, row: Row, numbers: frozenset[str]) -> bool:
    if one.row["actor"] == row["actor"] or not one.numbers & numbers:
        return False
    if one.row["actor"] in fsck_reads.clients(connection):
        return False
    owners = {item["owner"] for item in fsck_reads.items(connection, numbers).values()}
    if one.row["acting_for"] not in owners | {row["acting_for"]}:
        return False
    return not _keeps(connection, one, numbers | one.numbers)


def _keeps(connection: sa.Connection, one: _Confirmed, numbers: Iterable[str]) -> bool:
    """Whether whoever confirms was custodian of a place that one of the things was in, as known at that moment."""
    at = one.row["recorded_at"]
    for span in fsck_reads.derived(connection, "item_span", numbers):
        if not (span["from_at"] <= at < span["to_at"] and span["known_from"] <= at < span["known_to"]):
            continue
        told = fsck_reads.places(connection, span["place"])
        holding = [row for row in told if row["valid_from"] <= at and row["recorded_at"] <= at]
        if holding and holding[-1]["custodian"] == one.row["actor"]:
            return True
    return False
