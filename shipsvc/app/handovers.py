"""Two sides at the door, and one device: whoever takes something over signs by a link that the giver's device shows.

The link opens one thing, once, for minutes: the acceptance of what one release handed over, by the party it was handed
to. What comes of it is a fact told by the giver's person, marked as signed by the other side (D25).
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import access, facts, record
from shipsvc.app.access import Actor
from shipsvc.app.facts import Wording
from shipsvc.app.sessions import digest, new_secret
from shipsvc.app.told import Told, When
from shipsvc.domain import codes, errors
from shipsvc.domain.custody import SIGNED_WITHIN
from shipsvc.domain.facts import Named
from shipsvc.domain.times import format_instant
from shipsvc.store import handovers, locks

PREFIX: Final = "shl_"
#: How long a link is good for; never longer than the release can be signed for.
LASTS: Final = timedelta(minutes=20)


@dataclass(frozen=True)
class Handover:
    """What is handed over: the release, by whom and to whom, the numbers, the shipment, and until when the link is
    good. ``actor`` is who showed the link."""

    release: str
    giver: str
    taker: str
    numbers: tuple[str, ...]
    shipment: str | None
    happened_at: datetime
    expires_at: datetime
    actor: Actor


@dataclass(frozen=True)
class Signature:
    """Who signed: the printed name, and the SHA-256 of a file of what they drew, if they drew."""

    name: str
    file: str | None


def offer(connection: sa.Connection, actor: Actor, now: datetime, release: str) -> tuple[Handover, str]:
    """A link to sign for a release of the actor's own institution: what it shows, and its secret, told this once.

    NotFound for what is no release that they may see; RuleForbids where it is not theirs, or an hour old.
    """
    made = _handover(connection, actor, now, release, now + LASTS)
    if made.giver not in actor.institutions:
        raise errors.RuleForbids(why="only whoever hands it over can have it signed for.")
    secret = new_secret(PREFIX)
    about = {"digest": digest(secret), "release": made.release, "person": actor.person}
    handovers.add(connection, {**about, "made_at": now, "expires_at": made.expires_at})
    return made, secret


def find(connection: sa.Connection, now: datetime, secret: str) -> Handover:
    """What may be signed for with this secret; HandoverOver where nothing may, whyever."""
    row = handovers.by_digest(connection, digest(secret))
    if row is None or row["used_at"] is not None or row["expires_at"] <= now:
        raise errors.HandoverOver
    try:
        who = access.actor(connection, row["person"], now)
        return _handover(connection, who, now, row["release"], row["expires_at"])
    except (errors.BadToken, errors.NotFound, errors.RuleForbids) as error:
        raise errors.HandoverOver from error


def sign(
    connection: sa.Connection, now: Callable[[], datetime], secret: str, signature: Signature, event_id: str
) -> Handover:
    """Spend a link: the acceptance is told, in the taker's name. HandoverOver as in ``find``."""
    key = digest(secret)
    locks.hold(connection, f"handover {key}")
    found = find(connection, now(), secret)
    if not handovers.use(connection, key, now()):
        raise errors.HandoverOver
    record.append(connection, found.actor, now, _acceptance(found, signature, event_id, now()))
    return found


def _handover(connection: sa.Connection, actor: Actor, now: datetime, release: str, until: datetime) -> Handover:
    said, row = _release(connection, actor, now, release)
    ends = said.happened_at + SIGNED_WITHIN
    if now >= ends:
        raise errors.RuleForbids(why="it was handed over more than an hour ago; the taker tells it for themselves.")
    return Handover(
        release=row["amends"] or row["id"],
        giver=row["acting_for"],
        taker=said.body["to"],
        numbers=said.subjects,
        shipment=said.body.get("shipment"),
        happened_at=said.happened_at,
        expires_at=min(until, ends),
        actor=actor,
    )


def _release(connection: sa.Connection, actor: Actor, now: datetime, release: str) -> tuple[Wording, Any]:
    found = facts.read(connection, actor, release, now)
    said = found.in_force
    if said is None or said.kind != "released":
        raise errors.NotFound(what="release", name=release)
    return said, found.row


def _acceptance(found: Handover, signature: Signature, event_id: str, now: datetime) -> Told:
    body: dict[str, Any] = {"party": found.taker, "from": found.giver}
    body |= {"signed": {"release": found.release, "how": "link"}}
    body |= {"shipment": found.shipment} if found.shipment else {}
    body |= {"files_sha256": [signature.file]} if signature.file else {}
    when, note = When(format_instant(now)), f"Signed by {signature.name}"
    request = {"id": event_id, "kind": "accepted", "subjects": list(found.numbers), "time": {"raw": when.raw}}
    request |= {"acting_for": found.giver, "body": body}
    seen = [codes.parse_seen(number) for number in found.numbers]
    named = tuple(Named(one.number, one.serial) for one in seen)
    return Told(event_id, "accepted", named, when, found.giver, body, request, note=note)
