"""Label prints: making one, voiding one, and explaining one that was scanned (trade cases 20 and 21)."""

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import sqlalchemy as sa

from shipsvc.app import access, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes, errors
from shipsvc.domain.codes import Print
from shipsvc.domain.facts import Named
from shipsvc.domain.times import parse_instant
from shipsvc.store import documents as versions
from shipsvc.store import events, item_states, items, prints
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER, Institution, table

#: Who gives out numbers and prints labels at an institution, beside administrators.
ISSUERS = ("clerk", "curator", "preparator", "registrar")
KEY_BYTES = 32
State = Literal["live", "replaced", "void"]


@dataclass(frozen=True)
class Label:
    """One print: how it was made, what replaced it, and how it was voided, where it was."""

    made: Row
    following: Row | None
    voided: Row | None

    @property
    def print(self) -> Print:
        """Which print it is."""
        return Print(self.made["number"], self.made["serial"])

    @property
    def state(self) -> State:
        """Void where it was voided and, if in use, that was confirmed; else live, unless there is a later print."""
        if self.voided is not None and not self.voided["awaits"]:
            return "void"
        return "live" if self.following is None else "replaced"


def by_then(when: When, now: datetime) -> datetime:
    """Until when prints and voids count for a question; a print is told when it is made, so there is one time only."""
    return when.known_on if when.as_of >= now else min(when.as_of, when.known_on)


def labels(connection: sa.Connection, numbers: Sequence[str], by: datetime) -> list[Label]:
    """The prints of items as they stood by a moment, by number and serial."""
    made = prints.prints(connection, numbers, by)
    voided = {(row["number"], row["serial"]): row for row in prints.voids(connection, numbers, by)} if made else {}
    following = [*made[1:], None] if made else []
    return [
        Label(
            row,
            after if after is not None and after["number"] == row["number"] else None,
            voided.get((row["number"], row["serial"])),
        )
        for row, after in zip(made, following, strict=True)
    ]


def live(connection: sa.Connection, number: str, by: datetime) -> Label | None:
    """The print that is to be on an item, if there is one."""
    return next((label for label in labels(connection, [number], by) if label.state == "live"), None)


def label(connection: sa.Connection, which: Print, by: datetime) -> Label:
    """One print; NotFound where none was made by then."""
    found = labels(connection, [which.number], by)
    if not any(one.print == which for one in found):
        raise errors.NotFound(what="label", name=which.code)
    return next(one for one in found if one.print == which)


# ------------------------------------------------------------------------------------------------- making and voiding
def first_prints(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    numbers: Sequence[str],
    acting_for: str,
    decision: Decision,
) -> dict[str, str]:
    """Print labels for things that were just registered; the code of each, by number."""
    prints.hold(connection, numbers)
    return {made.number: made.code for made in _print(connection, actor, now, numbers, acting_for, decision)}


def print_label(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    item: Row,
    acting_for: str | None,
    decision: Decision,
) -> Label:
    """Print the next label of an item, which makes earlier ones replaced.

    For issuers of the owner, and for whoever certainly holds the item; ``acting_for`` is the owner unless given.
    NotYourInstitution, NotYourRole; RuleForbids for a further print without a reason.
    """
    number = item["number"]
    prints.hold(connection, [number])
    speaker = _speaker(connection, actor, now(), item, acting_for)
    earlier = prints.prints(connection, [number], FOREVER)
    if earlier and not decision.because:
        another = "{number} has a print {serial} already. Say why there is to be another."
        why = errors.Text(another, number=codes.display(number), serial=earlier[-1]["serial"])
        raise errors.RuleForbids(why=why, pointer="/because")
    (made,) = _print(connection, actor, now, [number], speaker, decision)
    return label(connection, made, FOREVER)


def void(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    item: Row,
    serial: int,
    acting_for: str | None,
    decision: Decision,
) -> Label:
    """Say that a print must not be on anything; one that is in use is void once a second person confirms that.

    For the same as printing. NotFound; RuleForbids where it is void.
    """
    which = Print(item["number"], serial)
    prints.hold(connection, [which.number])
    speaker = _speaker(connection, actor, now(), item, acting_for)
    before = label(connection, which, FOREVER)
    if before.voided is not None:
        waits, done = "the label {code} is void, once a second person confirms it", "the label {code} is void already"
        raise errors.RuleForbids(why=errors.Text(waits if before.voided["awaits"] else done, code=which.code))
    in_use = attached_to(connection, which, When(now(), FOREVER)) is not None
    said = {"prints": [which.code], "in_use": in_use}
    answer = record.append(connection, actor, now, decision.told("label_voided", [which.number], speaker, now(), said))
    row = _row(which, answer, actor, decision)
    prints.add_void(connection, row)
    return Label(before.made, before.following, {**row, "awaits": in_use})


def _print(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    numbers: Sequence[str],
    acting_for: str,
    decision: Decision,
) -> list[Print]:
    last = {row["number"]: row["serial"] for row in prints.prints(connection, numbers, FOREVER)}
    made = [Print(number, last.get(number, 0) + 1) for number in numbers]
    body = {"prints": [one.code for one in made]}
    answer = record.append(connection, actor, now, decision.told("label_printed", numbers, acting_for, now(), body))
    prints.add(connection, [_row(one, answer, actor, decision) for one in made])
    return made


def _row(which: Print, answer: Mapping[str, str], actor: Actor, decision: Decision) -> dict[str, object]:
    return {
        "number": which.number,
        "serial": which.serial,
        "event_id": decision.id,
        "recorded_at": parse_instant(answer["recorded_at"]),
        "actor": actor.person,
        "because": decision.because,
    }


def _speaker(connection: sa.Connection, actor: Actor, now: datetime, item: Row, acting_for: str | None) -> str:
    """For whom the actor decides about labels of an item: its owner, or whoever certainly holds it."""
    if acting_for is None or acting_for == item["owner"]:
        actor.must_be(item["owner"], *ISSUERS)
        return str(item["owner"])
    actor.may_speak_for(acting_for)
    if holder(connection, item["number"], now) != acting_for:
        raise errors.NotYourRole(
            needed=errors.Text("{roles}, or its holder", roles=errors.either(ISSUERS)), institution=item["owner"]
        )
    return acting_for


def speakers(connection: sa.Connection, actor: Actor, item: Row, now: datetime) -> list[str]:
    """For whom the actor may decide about labels of an item: its owner first, then its holder."""
    issues = actor.has(item["owner"], *ISSUERS) or actor.administers
    holds = holder(connection, item["number"], now)
    owner = [str(item["owner"])] if issues else []
    return owner + ([holds] if holds is not None and holds not in owner and _may_speak(actor, holds) else [])


def _may_speak(actor: Actor, institution: str) -> bool:
    try:
        actor.may_speak_for(institution)
    except errors.NotAllowed:
        return False
    return True


def holder(connection: sa.Connection, number: str, now: datetime) -> str | None:
    """The institution that certainly holds an item now."""
    return item_states.holder_at(connection, number, When(now, FOREVER), now)


# --------------------------------------------------------------------------------------------------------- scanning
def attached_to(connection: sa.Connection, which: Print, when: When) -> str | None:
    """What a print was last told to be stuck on."""
    found = None
    for row in prints.attachments(connection, which.number, when):
        _, subjects, body = events.content(row)
        if Named(which.number, which.serial) in subjects:
            found = str(body["to"])
    return found


def owner_name(connection: sa.Connection, number: str, now: datetime) -> str | None:
    """The name of the institution that owns an item: for whoever has the item, and so its label, in hand."""
    item = items.by_numbers(connection, [number]).get(number)
    row = versions.in_force(connection, table(Institution), item["owner"], When(now, FOREVER)) if item else None
    return str(row["name"]) if row else None


# ----------------------------------------------------------------------------------------------------- the tags' key
def key(connection: sa.Connection) -> bytes | None:
    """The key of the tags on labels that the database holds, if one was made."""
    return prints.label_key(connection)


def make_key(connection: sa.Connection, now: datetime) -> bytes:
    """Make the key of the tags, once for all processes; in a writing transaction."""
    return prints.keep_label_key(connection, secrets.token_bytes(KEY_BYTES), now)


def require_visible(connection: sa.Connection, actor: Actor, number: str, typed: str) -> Row:
    """The row of an item that the actor may see; NotFound."""
    found = item_states.one(connection, number, access.sees(actor, item_states.ITEM.c.number))
    if found is None:
        raise errors.NotFound(what="label", name=typed)
    return found
