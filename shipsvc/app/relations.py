"""Who has to do with which item, and until when: noted anew wherever spans or shipments change (rulings 16).

All of it follows from what is known now: whose an item is, its spans, and the shipments that it was written on. So a
relation that rested on a mistake goes with the mistake, and no question about the past can widen one.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from itertools import zip_longest
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.facts import institution_of
from shipsvc.store import access, institutions, items, shipments
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

Ends = dict[tuple[str, str], datetime]


def changed(before: Iterable[Mapping[str, Any]], after: Iterable[Mapping[str, Any]]) -> bool:
    """Whether new spans of an item, in place of others, can change who has to do with it or until when."""
    return _traces(before) != _traces(after)


def _traces(rows: Iterable[Mapping[str, Any]]) -> dict[tuple[Any, ...], datetime]:
    found: dict[tuple[Any, ...], datetime] = {}
    for row in rows:
        for trace in _traces_of(row):
            found[trace] = max(row["to_at"], found.get(trace, row["to_at"]))
    return found


def _traces_of(row: Mapping[str, Any]) -> Iterable[tuple[Any, ...]]:
    outside = row["parent"] is None
    yield "holder", row["holder"], outside
    if row["handover"] in {"giver_only", "taker_only"}:
        # Whether a taker's own word counts depends on the shipment that it was said on.
        yield row["handover"], row["claimant"], outside, row["words"] if row["handover"] == "taker_only" else ""
    if row["line"] in access.THEIR_LINES:
        yield "loan", row["lender"], row["borrower"]
    if row["sent_on"] is not None:
        yield "sent", row["sent_on"], outside


def settle(connection: sa.Connection, numbers: Collection[str]) -> None:
    """Note anew who has to do with the items. They are locked, and what is known of them now is written."""
    if not numbers:
        return
    found = items.by_numbers(connection, numbers)
    ends: Ends = {(number, row["owner"]): FOREVER for number, row in found.items()}
    _by_spans(connection, found, ends)
    _by_shipments(connection, found, ends)
    access.relate(connection, ends, found.keys())


def _by_spans(connection: sa.Connection, found: Mapping[str, Row], ends: Ends) -> None:
    """Couriers and authorities have to do with what is outermost, and with parcels; with nothing that lies in them."""
    sides = access.sides(connection, found.keys())
    handlers = institutions.handlers(connection, {row["institution"] for row in sides})
    for row in sides:
        if row["institution"] not in handlers or row["outside"] or found[row["item"]]["kind"] == "parcel":
            _reach(ends, row["item"], row["institution"], row["until"])


def _by_shipments(connection: sa.Connection, found: Mapping[str, Row], ends: Ends) -> None:
    """Whom a shipment addresses has to do with what it was sent on it; with what it was written to hold, also before.

    The carrier, with the parcels that it was written to hold, up to their release: then they are handed to it.
    """
    sent = access.sent(connection, found.keys())
    written = shipments.written_on(connection, found.keys())
    versions = shipments.versions(connection, {row["sent_on"] for row in sent} | {code for _, code in written})
    for row in sent:
        for addressee, until in _addressees(versions.get(row["sent_on"], ()), row["from_at"], row["to_at"]):
            _reach(ends, row["item"], addressee, until)
    left = {(row["item"], row["sent_on"]) for row in sent}
    for item, code in written:
        if (item, code) not in left:
            newest = versions[code][-1]
            _reach(ends, item, str(institution_of(newest["addressee"])), FOREVER)
            if found[item]["kind"] != "sample":
                _reach(ends, item, newest["carrier"], FOREVER)


def _addressees(versions: Sequence[Row], from_at: datetime, to_at: datetime) -> Iterable[tuple[str, datetime]]:
    """Whom a shipment addressed within a span, and until when. The first version counts from the beginning."""
    for version, following in zip_longest(versions, versions[1:]):
        end = min(to_at, following["valid_from"]) if following else to_at
        if end > from_at and (version["version"] == 1 or version["valid_from"] < to_at):
            yield str(institution_of(version["addressee"])), end


def _reach(ends: Ends, item: str, institution: str, until: datetime) -> None:
    ends[item, institution] = max(until, ends.get((item, institution), until))
