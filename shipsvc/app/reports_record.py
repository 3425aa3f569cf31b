"""Reports of the record itself: what was told late, and which weighings do not agree with the book."""

import json
import math
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import access, redrying, swaps
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key, seconds
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.domain.verdicts import SWAP_R_MIN
from shipsvc.store import items, reads_record, second, successions
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT_ITEM

#: A fact told later than this is told late, where its collection sets nothing else (rulings 28).
LATE_AFTER = timedelta(hours=24)


# ---------------------------------------------------------------------------------------------------------- told late
def told_late(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    after_s: int | None = None,
) -> list[Entry]:
    """Facts, decisions, versions of institutions and changes of roles told more than so long after they happened.

    The limit is ``after_s`` or, if None, what the collection sets, else a day. An amendment counts by the time that it
    gives the fact. What was told last comes first.
    """
    visible = None if actor.sees_all else reads_record.told_by_or_owned(actor.institutions)
    behind = (parse_instant(after[0]), after[1]) if after else None
    wanted = reads_record.told_late(asked.moment, after_s, seconds(LATE_AFTER), visible, behind, limit)
    facts = rows(connection, wanted)
    about = _items(connection, actor, [row["amends"] or row["id"] for row in facts])
    found = [Entry(_key(row["recorded_at"], row["id"]), _fact(row, about)) for row in facts]
    allowed = LATE_AFTER if after_s is None else timedelta(seconds=after_s)
    found += [entry for entry in _documents(connection, actor, asked, allowed) if after is None or entry.key < after]
    return sorted(found, key=lambda entry: entry.key, reverse=True)[:limit]


def _key(recorded_at: datetime, name: str) -> Key:
    # Always with microseconds, so that the order of the texts is that of the times.
    return recorded_at.isoformat(timespec="microseconds"), name


def _items(connection: sa.Connection, actor: Actor, events: Collection[str]) -> dict[str, list[str]]:
    """What facts bear on, as far as the actor sees it: whoever scanned a label is not told what it is on."""
    found: dict[str, list[str]] = defaultdict(list)
    for row in reads_record.items_of(connection, events, access.sees(actor, EVENT_ITEM.c.item)):
        found[row["event_id"]].append(codes.display(row["item"]))
    return found


def _fact(row: Row, about: dict[str, list[str]]) -> dict[str, Any]:
    body = json.loads(row["body"])
    content = body.get("replacement") or {} if row["kind"] == "amended" else {"kind": row["kind"], "body": body}
    return {
        "event_id": row["id"],
        "kind": row["kind"],
        "amends": row["amends"],
        "amended_kind": content.get("kind") if row["kind"] == "amended" else None,
        "about": about.get(row["amends"] or row["id"], []),
        **_told(row["happened_at"], row["recorded_at"], row["late_s"], row["limit_s"]),
        "actor": row["actor"],
        "acting_for": row["acting_for"],
        "party": content.get("body", {}).get("party"),
    }


def _told(happened_at: datetime, recorded_at: datetime, late_s: int, limit_s: int) -> dict[str, Any]:
    return {"happened_at": happened_at, "recorded_at": recorded_at, "late_s": late_s, "limit_s": limit_s}


def _documents(connection: sa.Connection, actor: Actor, asked: Asked, allowed: timedelta) -> Iterator[Entry]:
    """Institutions and roles are no facts of the log, but that one merged or left is also told late (demo.md, A16)."""
    see = None if actor.sees_all else access.sees_of(actor, reads_record.INSTITUTION.c.code)
    for row in reads_record.institutions_told(connection, asked.moment, see):
        yield from _document(row, row["valid_from"], allowed, "institution", row["code"], row["code"])
    see = None if actor.sees_all else access.sees_of(actor, successions.SUCCESSION.c.institution)
    for row in reads_record.successions_told(connection, asked.moment, see):
        about = f"{row['institution']} by {row['successor'] or 'itself again'}"
        yield from _document(row, row["from_at"], allowed, "successor_told", about, row["institution"])
    mine = None if actor.sees_all else actor.institutions
    for row in reads_record.roles_told(connection, asked.moment, mine):
        about = f"{row['role']} at {row['institution']}"
        yield from _document(row, row["from_at"], allowed, "role_changed", about, row["institution"])


def _document(
    row: Row, holds_from: datetime, allowed: timedelta, kind: str, about: str, acting_for: str
) -> Iterator[Entry]:
    late = row["recorded_at"] - holds_from
    if late > allowed:
        told = _told(holds_from, row["recorded_at"], seconds(late), seconds(allowed))
        name = f"{kind} {about} {row.get('person', row.get('version', ''))} {format_instant(holds_from)}"
        who = {"actor": row["actor"], "acting_for": acting_for, "party": None}
        nothing = {"event_id": None, "amends": None, "amended_kind": None}
        yield Entry(_key(row["recorded_at"], name), {**nothing, "kind": kind, "about": [about], **told, **who})


# --------------------------------------------------------------------------------------------------- a second person
def unconfirmed(connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int) -> list[Entry]:
    """Words of one person that a second one had still to confirm, the longest waiting first."""
    visible = None if actor.sees_all else reads_record.told_by_or_owned(actor.institutions)
    behind = (parse_instant(after[0]), after[1]) if after else None
    found = second.unconfirmed(connection, asked.moment, visible, behind, limit)
    about = _items(connection, actor, [row["amends"] or row["id"] for row in found])
    return [Entry(_key(row["recorded_at"], row["id"]), _waiting(row, about)) for row in found]


def _waiting(row: Row, about: dict[str, list[str]]) -> dict[str, Any]:
    fact = _fact({**row, "limit_s": 0}, about)
    left = {"late_s", "limit_s", "party"}
    return {**{name: value for name, value in fact.items() if name not in left}, "why": row["why"]}


# --------------------------------------------------------------------------------------------- both sides on one device
def one_device(connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int) -> list[Entry]:
    """Acceptances that the taker signed on the giver's device, told first first: for those who told or own it, and for
    those in whose name they were signed. ``counts`` is False for one that answers no release of who had it."""
    visible = None
    if not actor.sees_all:
        theirs = reads_record.told_by_or_owned(actor.institutions)
        visible = sa.or_(theirs, second.accepted_for(actor.institutions))
    behind = (parse_instant(after[0]), after[1]) if after else None
    found = second.signed(connection, asked.moment, visible, behind, limit)
    about = _items(connection, actor, [row["amends"] or row["id"] for row in found])
    return [Entry(_key(row["recorded_at"], row["id"]), _signed(row, about)) for row in found]


def _signed(row: Row, about: dict[str, list[str]]) -> dict[str, Any]:
    body = json.loads(row["body"])
    said = (body.get("replacement") or {}).get("body") or body
    members = {name: row[name] for name in ("happened_at", "recorded_at", "actor", "acting_for")}
    how, party = (said.get("signed") or {}).get("how"), said.get("party")
    named = {"event_id": row["id"], "about": about.get(row["amends"] or row["id"], [])}
    return {**named, **members, "party": party, "how": how, "counts": row["code"] == "one_device"}


# -------------------------------------------------------------------------------------------------- mass discrepancies
def mass_discrepancies(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    verdict: str | None = None,
    settled: bool | None = None,
) -> list[Entry]:
    """Weighings held against the book: those with the verdict, all of them ("all"), or all that do not agree (None);
    with ``settled`` only those whose sample's book was, or was not, set by a decision since.

    In the order of items and times. A difference is observed less expected; masses are in mg.
    """
    visible = None if actor.sees_all else reads_record.weighed_or_owned(actor.institutions)
    behind = (after[0], parse_instant(after[1]), after[2]) if after else None
    found = rows(connection, reads_record.comparisons(asked.moment, verdict, visible, behind, limit, settled))
    infos = items.by_numbers(connection, {row["item"] for row in found})
    told = reads_record.sources(connection, asked.moment, {row["event_id"] for row in found})
    dried = redrying.settled(connection, found, asked.moment)
    swapped = swaps.suspected(connection, {row["item"] for row in found if _is_far(row)}, asked.moment)
    return [
        Entry(
            (row["item"], row["happened_at"].isoformat(), row["event_id"]),
            {
                **_comparison(row, infos[row["item"]], _weighing(told.get(row["event_id"])), _marks(row, swapped)),
                **_dried(row, dried.get((row["item"], row["event_id"]))),
            },
        )
        for row in found
    ]


def _weighing(row: Row | None) -> dict[str, Any]:
    """What the weighing said, in the version in force."""
    body = json.loads(row["body"]) if row else {}
    if row and row["kind"] == "amended":
        body = (body.get("replacement") or {}).get("body", {})
    return {"balance": body.get("balance"), "method": body.get("method", "weighed"), "dryness": body.get("dryness")}


def _is_far(row: Row) -> bool:
    return row["r"] is not None and abs(row["r"]) > SWAP_R_MIN


def _marks(row: Row, swapped: Mapping[str, datetime]) -> list[str]:
    """What stands beside the verdict; a swap from when it first showed."""
    since = swapped.get(row["item"])
    is_swapped = since is not None and since <= row["happened_at"] and _is_far(row)
    return [*row["marks"].split(), *(["swap_suspected"] if is_swapped else [])]


def _dried(row: Row, again: Row | None) -> dict[str, Any]:
    asks = redrying.is_wet(row) and again is None and row["settled_by"] is None
    return {
        "next_step": redrying.RE_DRY if asks else None,
        "re_dried_by": again["event_id"] if again else None,
        "re_dried_verdict": again["verdict"] if again else None,
    }


def _comparison(row: Row, info: Row, weighing: dict[str, Any], marks: list[str]) -> dict[str, Any]:
    difference_ng = row["observed_ng"] - row["expected_ng"] + row["buoyancy_ng"]
    return {
        "item": codes.display(row["item"]),
        "what": info["what"],
        "of": "split_sheet" if row["is_sheet"] else "weighing",
        "event_id": row["event_id"],
        "happened_at": row["happened_at"],
        "by_party": row["by_party"],
        **weighing,
        "book_mg": Mass(row["expected_ng"]).digits("mg"),
        "observed_mg": Mass(row["observed_ng"]).digits("mg"),
        "difference_mg": Mass(difference_ng).digits("mg"),
        "u_mg": Mass(round(row["u_ng"])).digits("mg"),
        "r": row["r"] if row["r"] is not None and math.isfinite(row["r"]) else None,
        "e_n": row["e_n"],
        "buoyancy_mg": Mass(row["buoyancy_ng"]).digits("mg"),
        "verdict": row["verdict"],
        "settled_by": row["settled_by"],
        "marks": marks,
    }
