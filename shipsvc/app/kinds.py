"""What each number names: as it was registered, or provisionally as it was first spoken of (rulings 1)."""

from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app.reach import Heard
from shipsvc.app.refold import fact_of, named_in
from shipsvc.app.told import Told
from shipsvc.domain import codes
from shipsvc.domain.facts import OF_MATERIAL, Fact, in_order
from shipsvc.store import access, events, items
from shipsvc.store.engine import Row

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
#: Facts of which any can settle what a number names.
SETTLING = OF_MATERIAL | {"registered"}


def named(connection: sa.Connection, contents: Iterable[Told], numbers: Collection[str]) -> Mapping[str, Row]:
    """The items named. A number that nobody registered yet is a thing all the same, a provisional one."""
    found = items.by_numbers(connection, numbers)
    unknown = set(numbers) - found.keys()
    if not unknown:
        return found
    owners = items.prefix_owners(connection, {codes.prefix_of(number) for number in unknown})
    rows: dict[str, dict[str, Any]] = {}
    for content in contents:
        for number in sorted(unknown & named_in(content.kind, content.subjects, content.body) - rows.keys()):
            rows[number] = _provisional(content, number, owners)
    items.add(connection, list(rows.values()))
    access.add_owners(connection, [(number, row["owner"]) for number, row in rows.items()])
    return items.by_numbers(connection, numbers)


def _provisional(content: Told, number: str, owners: Mapping[str, tuple[str, str | None]]) -> dict[str, Any]:
    owner, collection = owners.get(codes.prefix_of(number), (content.acting_for, None))
    described = _unregistered(collection, content.kind in OF_MATERIAL)
    return {"number": number, "owner": owner, "collection": collection, "newest_recorded_at": EPOCH, **described}


def _unregistered(collection: str | None, is_material: bool) -> dict[str, Any]:
    is_sample = is_material or collection is not None
    kind, form = ("sample", "material") if is_sample else ("container", "other")
    return {"kind": kind, "form": form, "what": "", "provisional": True}


def in_doubt(rows: Mapping[str, Row], fresh: Iterable[Heard], withdrawn: Iterable[Heard]) -> set[str]:
    """Numbers of which these facts, told or withdrawn, can settle anew what they name."""
    found: set[str] = set()
    for heard in fresh:
        if heard.kind == "registered":
            found |= heard.numbers
        elif heard.kind in OF_MATERIAL:
            found |= {n for n in heard.numbers | heard.family if rows[n]["provisional"] and rows[n]["kind"] != "sample"}
    for heard in withdrawn:
        if heard.kind in SETTLING:
            found |= {n for n in heard.numbers | heard.family if heard.kind == "registered" or rows[n]["provisional"]}
    return found


def settle(
    connection: sa.Connection,
    rows: Mapping[str, Row],
    doubtful: Collection[str],
    fresh: Iterable[Fact],
    withdrawn: Collection[str],
) -> None:
    """Write what the facts in force say that numbers name: the owner's last registration, else the first of anybody.

    Whose a thing is follows from its prefix where that is somebody's, so that nobody becomes an owner by saying so.
    """
    if not doubtful:
        return
    found = events.of_kinds(connection, doubtful, SETTLING)
    told = [fact_of(row, original, teller, lambda _code, _at: None) for original, teller, row in found]
    facts = in_order([*(fact for fact in told if fact.id not in withdrawn), *fresh])
    owners = items.prefix_owners(connection, {codes.prefix_of(number) for number in doubtful})
    for number in sorted(doubtful):
        owner, _ = owners.get(codes.prefix_of(number), (None, None))
        about = [f for f in facts if number in named_in(f.kind, f.subjects, f.body)]
        described = _described(rows[number], about, owner)
        if any(rows[number][name] != value for name, value in described.items()):
            items.describe(connection, number, **described)


def _described(row: Row, facts: Iterable[Fact], prefix_owner: str | None) -> dict[str, Any]:
    settling = [fact for fact in facts if fact.kind in SETTLING]
    registered = [fact for fact in settling if fact.kind == "registered"]
    if not registered:
        return {"owner": row["owner"], **_unregistered(row["collection"], bool(settling))}
    first = registered[0]
    owner = prefix_owner or first.text("owner") or first.party
    fact = ([first] + [f for f in registered if f.acting_for == owner])[-1]
    kind = fact.text("item") or "container"
    form = fact.text("form") or ("material" if kind == "sample" else "other")
    return {"owner": owner, "kind": kind, "form": form, "what": fact.text("what") or "", "provisional": False}
