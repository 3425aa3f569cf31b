"""What is written held against what is expected: spans, the rows beside them, and when each was known."""

import json
import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any

from shipsvc.app.fsck_log import Finding
from shipsvc.app.fsck_mass import Flow
from shipsvc.app.fsck_rules import Thing
from shipsvc.app.fsck_story import Expected
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: Flags that follow from the facts; the others were raised once, when a fact was told, and stay.
FOLLOWS = {"which_sample", "disputed", "seen_elsewhere", "nest_cycle", "was_elsewhere", "below_zero", "has_ended"}
FOLLOWS |= {"strangers_word", "one_device", "signature_alone"}
FOLLOWS |= {"tare_unknown", "tare_differs", "cap_differs", "does_not_close"}
TEXTS = {"words", "terms", "basis", "tare"}
KEYS = {
    "item_span": ("item", "from_at"),
    "event_item": ("item", "event_id"),
    "comparison": ("item", "event_id"),
    "parentage": ("child", "parent", "event_id"),
    "flag": ("item", "event_id", "code"),
    "mass_move": ("item", "event_id", "line"),
}
#: What a thing is before anything is told of it; also what is written of it then, which is nothing.
NOTHING = Thing("", "", "", "").columns()
Written = Mapping[str, Sequence[Row]]
Wanted = Sequence[tuple[datetime, Mapping[str, Any]]]


def spans(group: Iterable[str], written: Iterable[Row], expected: Expected) -> Iterator[Finding]:
    """Spans as known now against those expected, and as known on any day against each other."""
    by_item: dict[str, list[Row]] = {}
    for row in written:
        by_item.setdefault(row["item"], []).append(row)
    for item in group:
        rows = sorted(by_item.get(item, ()), key=lambda row: row["from_at"])
        now = [row for row in rows if row["known_to"] == FOREVER]
        yield from _states(item, expected.spans.get(item, ()), now)
        yield from _begun(item, now, expected)
        yield from _tiles(item, rows)
        for row in rows:
            if row["live"] != int(row["known_to"] == FOREVER and row["to_at"] > row["known_from"]):
                yield Finding("live", item, 1 - row["live"], row["live"], row["from_at"])


def _states(item: str, wanted: Wanted, now: Sequence[Row]) -> Iterator[Finding]:
    """At every instant at which anything begins or ends: is what is written what is expected?"""
    instants = {at for at, _ in wanted} | {edge for row in now for edge in (row["from_at"], row["to_at"])} - {FOREVER}
    said: dict[str, tuple[Any, Any]] = {}
    for at in sorted(instants):
        want = next((columns for begun, columns in reversed(wanted) if begun <= at), NOTHING)
        row = next((row for row in now if row["from_at"] <= at < row["to_at"]), None)
        have = NOTHING if row is None else {name: _read(name, row[name]) for name in want}
        differs = {name: (want[name], have[name]) for name in want if not _equal(want[name], have[name])}
        for name, (one, other) in differs.items():
            if said.get(name) != (one, other):
                yield Finding(name, item, one, other, at)
        said = differs
        if not differs and (at in {begun for begun, _ in wanted}) != (at in {r["from_at"] for r in now}):
            yield Finding("a span begins where nothing changed", item, None, row and row["event_id"], at)


def _begun(item: str, now: Iterable[Row], expected: Expected) -> Iterator[Finding]:
    """Each span begins when the fact happened that it names, and that fact is about the item, or what it was in."""
    for row in now:
        said = expected.bears_on.get((row["by_item"] or item, row["event_id"]))
        if said is None or said.at != row["from_at"]:
            found = f"{row['event_id']} of {said.at if said else 'no time'}"
            yield Finding("the fact that began it", item, f"a fact of {row['from_at']}", found, row["from_at"])


def _tiles(item: str, rows: Sequence[Row]) -> Iterator[Finding]:
    """On every day of knowledge the spans follow each other without overlap or gap, the last for ever."""
    for day in sorted({row["known_from"] for row in rows}):
        held = [row for row in rows if row["known_from"] <= day < row["known_to"]]
        for one, other in pairwise(held):
            if one["to_at"] != other["from_at"]:
                what = "overlap" if one["to_at"] > other["from_at"] else "gap"
                yield Finding(f"{what} as known on {day}", item, other["from_at"], one["to_at"], one["from_at"])
        if held and held[-1]["to_at"] != FOREVER:
            yield Finding(
                f"the last span ends as known on {day}", item, FOREVER, held[-1]["to_at"], held[-1]["from_at"]
            )


def rows(written: Written, expected: Expected, sources: Mapping[str, str]) -> Iterator[Finding]:
    """The rows beside the spans, as known now."""
    bears_on = {
        key: {"source_id": sources[said.id], "happened_at": said.at, "kind": said.kind}
        for key, said in expected.bears_on.items()
    }
    yield from _table("event_item", bears_on, written)
    yield from _table("comparison", expected.comparisons, written)
    yield from _table("parentage", expected.parentage, written)
    yield from _table("flag", {key: {} for key in expected.flags}, written)


def _table(name: str, wanted: Mapping[Any, Mapping[str, Any]], written: Written) -> Iterator[Finding]:
    found = {
        tuple(row[column] for column in KEYS[name]): row
        for row in written[name]
        if row["known_to"] == FOREVER and row.get("code", "disputed") in FOLLOWS
    }
    for key in sorted(wanted.keys() | found.keys()):
        about = f"{name} of {' '.join(key)}"
        if key not in found or key not in wanted:
            yield Finding("the row", about, "one" if key in wanted else None, "one" if key in found else None)
            continue
        for column, value in wanted[key].items():
            if not _equal(value, found[key][column]):
                yield Finding(column, about, value, found[key][column])


def flows(written: Written, expected: Expected) -> Iterator[Finding]:
    """The ledger as known now: of each fact and item, how much went out of which account into which."""
    found: Counter[Flow] = Counter()
    for row in written["mass_move"]:
        if row["known_to"] == FOREVER:
            sides = row["from_item"] or row["from_account"], row["to_item"] or row["to_account"]
            found[row["item"], row["event_id"], *sides] += row["mass_ng"]
    for key in sorted(expected.flows.keys() | found.keys()):
        want, have = expected.flows.get(key, 0), found.get(key, 0)
        if want != have:
            item, event_id, out, into = key
            yield Finding("ng moved", f"mass_move of {item} {event_id} from {out} to {into}", want, have)


def moments(written: Written, recorded: Collection[datetime]) -> Iterator[Finding]:
    """Knowledge begins and ends when something was recorded, and of one thing there is one row at a time."""
    for name, found in written.items():
        by_key: dict[tuple[Any, ...], list[Row]] = {}
        for row in found:
            by_key.setdefault(tuple(row[column] for column in KEYS[name]), []).append(row)
        for key, same in by_key.items():
            about = f"{name} of {' '.join(map(str, key))}"
            for row in same:
                for edge in (row["known_from"], row["known_to"]):
                    if edge != FOREVER and edge not in recorded:
                        yield Finding("known from or to a moment when nothing was recorded", about, None, edge)
            for one, other in pairwise(sorted(same, key=lambda row: row["known_from"])):
                if one["known_to"] > other["known_from"]:
                    yield Finding("known twice at once", about, other["known_from"], one["known_to"])


def items(found: Mapping[str, Row], described: Mapping[str, Mapping[str, Any]], written: Written) -> Iterator[Finding]:
    """What the numbers name, and when something was last recorded of each."""
    newest: dict[str, datetime] = {}
    for name, derived in written.items():
        for row in derived:
            if row.get("code") == "unconfirmed":  # it ends by what is told of the fact, perhaps of other things
                continue
            item = row[KEYS[name][0]]
            edges = (edge for edge in (row["known_from"], row["known_to"]) if edge != FOREVER)
            newest[item] = max([*edges, *([newest[item]] if item in newest else [])])
    for number, row in found.items():
        wanted = {**described[number], "newest_recorded_at": newest.get(number, row["newest_recorded_at"])}
        for column, value in wanted.items():
            if row[column] != value:
                yield Finding(column, number, value, row[column])


def _read(name: str, value: Any) -> Any:
    return json.loads(value) if name in TEXTS else value


def _equal(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9)  # sums of the same terms, perhaps in another order
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_equal(value, other[name]) for name, value in one.items())
    return bool(one == other)
