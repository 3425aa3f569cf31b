"""TRP's loading bay: shipments written down and read back, for tests of what they say."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents, parcels, shipments
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.parcels import PackingList, Shipment
from shipsvc.app.shipments import Route
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from tests.world import World, number

NOW = "2026-11-25T12:00:00Z"
CLERK = Actor("p05", frozenset({("TRP", "clerk")}))
CURATOR = Actor("p02", frozenset({("TRP", "curator")}))
AUDITOR = Actor("p24", frozenset({("TRP", "auditor")}))
DRIVER = Actor("d1", frozenset({("CRK", "driver")}))
RECEIVER = Actor("p09", frozenset({("TSI", "receiver")}))
STRANGER = Actor("p12", frozenset({("SMP", "responsible")}))


@dataclass
class Desk:
    """Writes shipments down and reads them, each in a transaction of its own."""

    world: World

    def create(self, code: str | None, addressee: str, contents: list[str], at: str, **said: Any) -> str:
        """A shipment of TRP by CRK."""
        actor = said.pop("actor", CLERK)
        consignor = said.pop("consignor", "TRP")
        expected = said.pop("expected_by", None)
        made: str = self._act(
            at,
            lambda c, now: shipments.create(
                c,
                actor,
                now,
                code=code,
                consignor=consignor,
                route=route(addressee, expected),
                contents=[number(name) for name in contents],
                loan=said.pop("loan", None),
                why="",
            ),
        )
        return made

    def change(self, code: str, addressee: str, at: str, follows: int = 1, expected_by: str | None = None) -> None:
        """Another addressee, or another day."""
        new = route(addressee, expected_by)
        self._act(at, lambda c, now: shipments.change(c, CLERK, now, code, {follows}, new, "it was otherwise"))

    def add(self, code: str, contents: list[str], at: str) -> None:
        """More things."""
        numbers = [number(name) for name in contents]
        self._act(at, lambda c, now: shipments.add(c, CLERK, now, code, numbers, "one more"))

    def turn_round(self, code: str, at: str, told: str, actor: Actor = DRIVER, acting_for: str | None = None) -> None:
        """Back to the consignor."""
        decision = Decision("00000000-0000-7000-9000-000000000001", "recalled", parse_instant(at))
        self._act(told, lambda c, now: shipments.turn_round(c, actor, now, code, acting_for, decision))

    def read(self, code: str, as_of: str = NOW, known_on: str | None = None, actor: Actor = AUDITOR) -> Shipment:
        """How a shipment stands."""
        known = parse_instant(known_on) if known_on else None
        with self.world.database.engine.connect() as connection:
            return parcels.read(connection, actor, parse_instant(NOW), code, parse_instant(as_of), known)

    def states(self, code: str, as_of: str = NOW, known_on: str | None = None) -> dict[str, str]:
        """The state of each thing in it."""
        return {parcel.row["number"]: parcel.row["state"] for parcel in self.read(code, as_of, known_on).parcels}

    def packing_list(self, code: str, as_of: str = NOW, actor: Actor = AUDITOR) -> PackingList:
        """What is in what."""
        with self.world.database.engine.connect() as connection:
            return parcels.packing_list(connection, actor, parse_instant(NOW), code, parse_instant(as_of), None)

    def arriving(self, institution: str, at: str, actor: Actor, **asked: Any) -> list[Shipment]:
        """What is coming."""
        now = parse_instant(at)
        when = documents.asked(None, None, now)
        with self.world.database.engine.connect() as connection:
            return [one for one, *_ in parcels.arriving(connection, actor, now, when, institution, **asked)]

    def page(self, at: str, actor: Actor = AUDITOR, **asked: Any) -> list[str]:
        """The codes of a list."""
        now = parse_instant(at)
        with self.world.database.engine.connect() as connection:
            found = parcels.page(connection, actor, now, documents.asked(None, None, now), **asked)
        return [one.row["code"] for one in found]

    def _act(self, told: str, act: Callable[[sa.Connection, Callable[[], datetime]], Any]) -> Any:
        self.world.clock = max(self.world.clock, parse_instant(told))
        with self.world.writing() as connection:
            return act(connection, lambda: parse_instant(told))


def told_on(code: str) -> dict[str, Any]:
    """What a fact says of the shipment it is told on."""
    return {"shipment": code}


def route(addressee: str, expected_by: str | None = None) -> Route:
    """A way by CRK."""
    expected = parse_instant(expected_by) if expected_by else None
    return Route(addressee=addressee, carrier="CRK", expected_by=expected, handling="keep dry")


def desk_in(database: Database) -> Desk:
    """Two boxes; in P-01 a jar, in that a vial with the sample 0010."""
    world = World(database)
    at = "2025-02-18T10:00:00Z"
    world.tell("registered", ["P-01", "P-02"], at, item="parcel", form="overpack")
    world.tell("registered", "J-01", at, item="container", form="jar")
    world.tell("registered", "V-011", at, item="container", form="vial")
    world.tell("registered", "BRM-0010", at, item="sample", mass="1204.3 mg", balance="B1")
    world.tell("packed", "BRM-0010", at, into="V011", material=True)
    world.tell("packed", "V-011", "2025-03-10T08:40:00Z", into="J01")
    world.tell("packed", "J-01", "2025-03-10T08:41:00Z", into="P01")
    return Desk(world)
