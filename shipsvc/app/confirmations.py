"""What may be done about a fact: whether it waits for a second person and who may be that, and for whom to amend it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import next_acts
from shipsvc.app.access import Actor
from shipsvc.app.facts import Account
from shipsvc.domain import codes, second
from shipsvc.domain.facts import FACTS
from shipsvc.domain.second import Confirmation, Word
from shipsvc.store import events, items
from shipsvc.store import second as store


@dataclass(frozen=True)
class Waiting:
    """A version of a fact that waits: which, why, since when, told for whom; for whom the reader may confirm it, and
    what stands in their way (the code of a flag, None: nothing)."""

    event_id: str
    why: str
    since: datetime
    acting_for: str
    numbers: Sequence[str]
    speaks: Sequence[str]
    hindrance: str | None


def waiting(connection: sa.Connection, actor: Actor, account: Account, now: datetime) -> Waiting | None:
    """The version of a fact that awaits a second person; None where it awaits none. The fact is theirs to read."""
    versions = {account.row["amends"] or account.row["id"], *(one.id for one in account.amendments)}
    flagged = store.flagged(connection, versions)
    if not flagged:
        return None
    flag = flagged[0]
    row = events.by_ids(connection, [flag["event_id"]])[flag["event_id"]]
    numbers = frozenset(one["item"] for one in flagged)
    owners = {one["owner"] for one in items.by_numbers(connection, numbers).values()}
    able = {row["acting_for"], *owners} & actor.institutions
    speaks = [one for one in sorted(able) if next_acts.may_tell(actor, "confirmed", one)]
    return Waiting(
        event_id=row["id"],
        why=flag["detail"],
        since=row["recorded_at"],
        acting_for=row["acting_for"],
        numbers=sorted(codes.display(number) for number in numbers),
        speaks=speaks,
        hindrance=_hindrance(connection, actor, Word(row["id"], row["actor"], row["acting_for"], numbers), owners, now),
    )


def _hindrance(connection: sa.Connection, actor: Actor, word: Word, owners: set[str], now: datetime) -> str | None:
    """As the fold would say of a confirmation by the actor for whichever of their institutions it concerns."""
    keeps = actor.person in store.custodians(connection, word.numbers, now)
    said = Confirmation(word.id, actor.person, word.acting_for, word.numbers, custodian=keeps)
    return second.why_not(word, said, owners)


def amenders(connection: sa.Connection, actor: Actor, account: Account) -> list[str]:
    """For whom the actor may amend a fact: whom it was told for, and the owners of which they are curator (rulings 3).
    Decisions have routes of their own."""
    if account.wording.kind not in FACTS - {"amended"}:
        return []
    numbers = [codes.parse(number) for number in account.items]
    owners = {row["owner"] for row in items.by_numbers(connection, numbers).values()}
    first = str(account.row["acting_for"])
    found = [first] if next_acts.may_tell(actor, account.wording.kind, first) else []
    return found + [one for one in sorted(owners - {first}) if actor.has(one, "curator")]
