"""Numbers that a device holds ready for the pieces of splits, so that none need be asked for without a network."""

from collections.abc import Mapping
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import next_acts, numbers
from shipsvc.app.access import Actor
from shipsvc.app.items import Shown
from shipsvc.app.prints import ISSUERS
from shipsvc.domain import codes, errors
from shipsvc.domain.facts import institution_of
from shipsvc.store import numbers as stored
from shipsvc.store.engine import Row

#: How many numbers a device is given at once. Those that it never uses are used by nobody.
AT_ONCE = 10


def splits(connection: sa.Connection, actor: Actor) -> dict[str, str]:
    """By prefix, the owner of the samples that they may both split and give numbers to pieces of."""
    able = [
        one
        for one in sorted(actor.institutions)
        if actor.has(one, *ISSUERS) and next_acts.may_tell(actor, "divided", one)
    ]
    return stored.sample_prefixes(connection, able)


def may_split(shown: Shown | None, able: Mapping[str, str]) -> bool:
    """Whether a thing is a sample that one of the ``able`` (see ``splits``) has, and of which something is left."""
    if shown is None or shown.standing is None or shown.found.row["kind"] != "sample":
        return False
    span, owner = shown.standing.span, able.get(codes.prefix_of(shown.found.number))
    return owner is not None and institution_of(span["certain"]) == owner and span["status"] != "ended"


def keep_ready(connection: sa.Connection, actor: Actor, now: datetime, block_id: str, prefix: str) -> Row:
    """A block of numbers for the device that chose ``block_id``; the same one where it asks again.

    NotFound for a prefix under which they split nothing, AlreadyThere for a block of somebody else.
    """
    owner = splits(connection, actor).get(prefix)
    if owner is None:
        raise errors.NotFound(what="number prefix", name=prefix, pointer="/prefix")
    stored.hold(connection, prefix)
    before = stored.block(connection, block_id, sa.true())
    if before is None:
        return numbers.hand_out(connection, actor, now, block_id, prefix, AT_ONCE, owner)
    if (before["actor"], before["prefix"]) != (actor.person, prefix):
        raise errors.AlreadyThere(what="block of numbers", name=block_id, pointer="/id")
    return before


def free(connection: sa.Connection, actor: Actor, block_id: str) -> list[str]:
    """The numbers of a block that nothing goes by yet, as they are written."""
    row, used = numbers.block(connection, actor, block_id)
    return [codes.display(number) for number in numbers.numbers_of(row) if number not in used]
