"""The one action that clears a row of the desk: where it leads and what it says, by who reads it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from shipsvc.app.access import Actor
from shipsvc.app.documents import KEEPERS
from shipsvc.domain.facts import institution_of
from shipsvc.web.pages.language import say

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Act:
    """An action as a link."""

    href: str
    words: str


def of_case(row: Row, actor: Actor) -> Act:
    """Its owner decides it; others say what they know."""
    mine = row["owner"] in actor.institutions
    return Act(f"/cases/{row['code']}", say("Decide it") if mine else say("Say what you know of it"))


def of_loan(row: Row, actor: Actor) -> Act:
    """The lender extends or recalls it, whoever owes it sends it back."""
    if actor.has(row["lender"], *KEEPERS):
        return Act(f"/loans/{row['loan']}#decide", say("Extend %(loan)s, or call it back", loan=row["loan"]))
    if {row["borrower"], row["owed_by"]} & actor.institutions:
        return Act(f"/scan?code={row['item']}", say("Send it back, or ask the lender for longer"))
    return Act(f"/loans/{row['loan']}", say("Ask the borrower"))


def of_handover(row: Row, actor: Actor) -> Act:
    """Whoever is silent tells their side; others ask them."""
    silent = {institution_of(party) for party in row["waiting_for"]}
    if silent & actor.institutions:
        return Act(f"/scan?code={row['item']}", say("Tell your side of it"))
    return Act(f"/things/{row['item']}", say("Ask %(whom)s", whom=", ".join(row["ask"])))


def of_shipment(row: Row, _: Actor) -> Act:
    """Those who should know are called."""
    return Act(f"/shipments/{row['shipment']}", say("Call %(whom)s", whom=", ".join(row["ask"]) or row["addressee"]))


def of_mass(row: Row, actor: Actor) -> Act:
    """What may be water is dried and weighed again; a curator settles the rest, others weigh again."""
    if row["verdict"] == "likely_water":
        return Act(f"/things/{row['item']}/weigh", say("Dry it, and weigh it again"))
    if any(role == "curator" for _, role in actor.roles):
        return Act(f"/things/{row['item']}/post-mass?weighing={row['event_id']}", say("Settle it, or weigh it again"))
    return Act(f"/things/{row['item']}/weigh", say("Weigh it again"))


def of_waiting(row: Row, _: Actor) -> Act:
    """A second person looks."""
    return Act(f"/facts/{row['event_id']}", say("Look, and confirm it"))


def of_late(row: Row, _: Actor) -> Act | None:
    """It stands as it was told; somebody reads it."""
    return Act(f"/facts/{row['event_id']}", say("Read it")) if row["event_id"] else None


def of_alarm(row: Row, _: Actor) -> Act:
    """Somebody looks at what was read."""
    return Act(f"/sources/{row['about']}", say("Look at what it read"))
