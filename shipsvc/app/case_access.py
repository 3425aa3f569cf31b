"""Who sees a case, and what of it.

The owner of what it is about, and whoever sees all, see the whole. Whoever opened it, or may read what befell one of
its things when it was found (rulings 16), sees it without what the owner keeps to itself: entries that are not shared,
things of others, the loan. An internal case is its owner's, and that of whoever opened it.
"""

from collections.abc import Collection, Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app.access import Actor
from shipsvc.domain import codes, errors
from shipsvc.store import cases, files
from shipsvc.store.access import Outsider
from shipsvc.store.documents import When
from shipsvc.store.engine import Row


def visible(actor: Actor, now: datetime) -> sa.ColumnElement[bool] | None:
    """A clause on a version of a case; None where all are seen."""
    return None if actor.sees_all else cases.visible_to(Outsider(actor.institutions, now))


def sees_whole(actor: Actor, case: Row) -> bool:
    """Whether the actor sees all that there is of a case."""
    return actor.sees_all or case["owner"] in actor.institutions


def sees_entry(actor: Actor, case: Row, entry: Row) -> bool:
    """Whether the actor reads an entry of a case that they see."""
    return sees_whole(actor, case) or bool(entry["shared"]) or entry["acting_for"] in actor.institutions


def shows_file(connection: sa.Connection, actor: Actor, sha256: str, now: datetime) -> bool:
    """Whether an entry that the actor reads names this file, told for an institution that has sent it."""
    found = cases.naming_file(connection, sha256, cases.visible_to(Outsider(actor.institutions, now)))
    told = [row for row in found if sees_entry(actor, row, row)]
    return any(files.uploaded(connection, [sha256], row["acting_for"]) for row in told)


def on_hold(connection: sa.Connection, actor: Actor, number: str, when: When, now: datetime) -> Sequence[str]:
    """The cases that hold a thing, as far as the actor sees them."""
    return cases.held_codes(connection, number, when, visible(actor, now))


def require_decided(connection: sa.Connection, loan: str) -> None:
    """RuleForbids while nobody has decided a case of the loan (trade step 29)."""
    undecided = cases.undecided_of_loan(connection, loan)
    if undecided:
        why = errors.Text("loan {loan} still has open cases: {cases}.", loan=loan, cases=", ".join(undecided))
        raise errors.RuleForbids(why=why)


def require_free(
    connection: sa.Connection, numbers: Collection[str], when: When, pointer: str, *, goes_to: str | None = None
) -> None:
    """RuleForbids where a case holds one of the things, unless they go home: ``goes_to`` its owner.

    That of an internal case is said without its code.
    """
    for row in cases.holding(connection, numbers, when):
        if row["owner"] != goes_to:
            which = "" if row["internal"] else errors.Text(" (case {case})", case=row["code"])
            on_hold = "{number} is on hold{which}. Leave it out until its owner lifts the hold."
            why = errors.Text(on_hold, number=codes.display(row["item"]), which=which)
            raise errors.RuleForbids(why=why, pointer=pointer)
