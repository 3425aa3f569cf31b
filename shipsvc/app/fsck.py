"""Everything derived is made once more from the log and compared with what is written (design, promise 9).

What is written came out of the fold; what is expected here comes out of ``fsck_story``, which shares nothing with it.
The log is read once to prove its digests and to find which things were ever near each other; then each such group is
told from the beginning by itself, so that memory holds one group at a time. Both tables and log should be read in one
transaction that sees one state of the database.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import (
    fsck_cases,
    fsck_compare,
    fsck_log,
    fsck_parties,
    fsck_readings,
    fsck_second,
    fsck_spans,
    fsck_story,
)
from shipsvc.app.fsck_book import Documents
from shipsvc.app.fsck_log import Finding, Log, Trips
from shipsvc.app.fsck_parties import Sendings
from shipsvc.app.fsck_rules import Said
from shipsvc.app.fsck_story import OF_MATERIAL
from shipsvc.store import fsck_reads
from shipsvc.store.engine import Row


@dataclass(frozen=True)
class _World:
    """What all groups share: what masses are judged by, what places keep, shipments, when versions were recorded, and
    which versions of facts await a second person."""

    documents: Documents
    trips: Trips
    moments: frozenset[datetime]
    owners: Mapping[str, str]
    sendings: Sendings
    waiting: frozenset[tuple[str, str]]
    cabinets: fsck_story.Cabinets


def check(
    connection: sa.Connection, step: Callable[[int, int], None] = lambda _done, _whole: None
) -> Iterator[Finding]:
    """All that is not as the log says. ``step`` is told how much is done of how much, in facts read."""
    whole = 2 * fsck_reads.count(connection)
    done = 0

    def one() -> None:
        nonlocal done
        done += 1
        step(done, whole)

    log = Log()
    yield from fsck_log.read(connection, log, one)
    world = _world(connection, log)
    for group in log.groups():
        ids = {fact for number in group for fact in log.ids[number]}
        yield from _group(connection, log, group, ids, world)
        done = min(whole, done + len(ids))
        step(done, whole)
    yield from fsck_second.check(connection, world.waiting)
    yield from fsck_cases.check(connection)
    yield from fsck_readings.check(connection)
    yield from fsck_spans.check(connection)
    yield from fsck_log.balances(connection)
    yield from _from_nowhere(connection, fsck_reads.numbers(connection) - log.ids.keys())


def _world(connection: sa.Connection, log: Log) -> _World:
    documents = Documents(fsck_reads.balances(connection), fsck_reads.allowances(connection))
    shipments = fsck_reads.shipments(connection)
    chains = (shipments, documents.balances, documents.allowances)
    moments = frozenset(row["recorded_at"] for chain in chains for rows in chain.values() for row in rows)
    sendings = Sendings(shipments, fsck_reads.written(connection), fsck_reads.handlers(connection))
    owners = fsck_reads.prefix_owners(connection)
    waiting = frozenset(fsck_second.waiting(connection, log, documents, shipments))
    cabinets = fsck_reads.cabinets(connection)
    return _World(documents, fsck_log.trips_by(shipments), moments, owners, sendings, waiting, cabinets)


def _from_nowhere(connection: sa.Connection, numbers: Collection[str]) -> Iterator[Finding]:
    for name, (_, column) in fsck_reads.DERIVED.items():
        for row in fsck_reads.derived(connection, name, numbers):
            yield Finding(f"a row of {name} about a thing that no fact names", row[column], None, row["event_id"])


# ------------------------------------------------------------------------------------------------------- group by group
def _group(
    connection: sa.Connection,
    log: Log,
    group: Sequence[str],
    ids: Collection[str],
    world: _World,
) -> Iterator[Finding]:
    rows = {row["id"]: row for row in fsck_reads.facts(connection, {v for one in ids for v in log.versions(one)})}
    held = {original: rows[log.versions(original)[-1]] for original in ids if original in rows}
    tellers = {original: rows[original]["acting_for"] for original in held}
    said = [fsck_log.said_in(row, original, tellers[original], world.trips) for original, row in held.items()]
    facts = fsck_story.in_order(_marked(one, world) for one in said if one)
    items = fsck_reads.items(connection, group)
    for number in sorted(set(group) - items.keys()):
        yield Finding("no row of item", number, "one")
    about: dict[str, list[Said]] = {number: [] for number in items}
    for one in facts:
        for number in one.named() & items.keys():
            about[number].append(one)
    described = {number: _described(row, about[number], _owner(world, number)) for number, row in items.items()}
    kinds = {number: _kind(row, items[number]) for number, row in described.items()}
    collections = {number: row["collection"] for number, row in items.items()}
    expected = fsck_story.tell(facts, kinds, collections, world.documents, world.cabinets)
    written = {name: fsck_reads.derived(connection, name, group) for name in fsck_reads.DERIVED}
    yield from fsck_compare.spans(group, written["item_span"], expected)
    yield from fsck_compare.rows(written, expected, {original: row["id"] for original, row in held.items()})
    yield from fsck_compare.flows(written, expected)
    yield from fsck_compare.moments(written, world.moments | {row["recorded_at"] for row in rows.values()})
    yield from fsck_compare.items(items, described, written)
    yield from fsck_parties.check(described, expected.spans, fsck_reads.parties(connection, group), world.sendings)


def _marked(said: Said, world: _World) -> Said:
    undecided = said.kind in fsck_second.DECIDED and any((said.id, number) in world.waiting for number in said.named())
    return replace(said, waits=undecided)


def _owner(world: _World, number: str) -> str | None:
    """Whose the letters in front of the number are."""
    return world.owners.get(number.rstrip("0123456789"))


def _kind(described: Mapping[str, Any], item: Row) -> tuple[str, str, str]:
    """Kind, form and whose it is: nobody's, while a number of no known collection is not registered."""
    nobodys = described["provisional"] and item["collection"] is None
    return str(described["kind"]), str(described["form"]), "" if nobodys else str(described["owner"])


def _described(item: Row, about: Sequence[Said], prefix_owner: str | None) -> dict[str, Any]:
    """What the number names: by its owner's last registration, else by the first of anybody; without one it is a sample
    if it is of a collection or of material. Its owner is whose the prefix is, else who registered it first."""
    registered = [said for said in about if said.kind == "registered"]
    if not registered:
        is_sample = item["collection"] is not None or any(said.kind in OF_MATERIAL for said in about)
        kind, form = ("sample", "material") if is_sample else ("container", "other")
        return {"kind": kind, "form": form, "provisional": True, "what": "", "owner": item["owner"]}
    owner = prefix_owner or registered[0].body.get("owner") or registered[0].party
    last = ([said.body for said in registered if said.teller == owner] or [registered[0].body])[-1]
    kind = last.get("item") or "container"
    form = last.get("form") or ("material" if kind == "sample" else "other")
    return {"kind": kind, "form": form, "provisional": False, "what": last.get("what") or "", "owner": owner}
