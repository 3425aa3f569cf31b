"""A small world to tell facts in: institutions, people, and a clock that stands where the test puts it."""

import itertools
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import record
from shipsvc.app.access import Actor
from shipsvc.app.told import Answer, Envelope, Told, When
from shipsvc.domain import codes, errors
from shipsvc.domain.facts import Named
from shipsvc.domain.mass import Mass
from shipsvc.domain.states import NOTHING, State
from shipsvc.domain.times import parse_instant
from shipsvc.store import items, shipments, spans
from shipsvc.store.engine import Database, rows
from shipsvc.store.tables import BalanceVersion, Collection, Institution, Place, ProfileVersion, table

EARLY = datetime(2020, 1, 1, tzinfo=UTC)
ZONES = {"TRP": "Europe/London", "TSI": "Asia/Tokyo", "SMP": "America/Denver", "MRL": "Australia/Adelaide"}
PARTIES = {
    "TRP": "lender",
    "TSI": "borrower",
    "SMP": "borrower",
    "MRL": "borrower",
    "CRK": "courier",
    "BIA": "authority",
}


def number(text: str) -> str:
    """A number of the test's own spelling, without its check character: ``BRM-0010`` is BRM0010."""
    return text.replace("-", "")


def typed(text: str) -> str:
    """The same as a person would type it, with its check character."""
    return codes.display(number(text))


@dataclass
class World:
    """Tells facts to a database through the application, one transaction each."""

    database: Database
    clock: datetime = EARLY
    sequence: "itertools.count[int]" = field(default_factory=itertools.count)

    def __post_init__(self) -> None:
        chain = {"version": 1, "valid_from": EARLY, "recorded_at": EARLY, "actor": "p00", "because": "start"}
        with self.writing() as connection:
            connection.execute(
                sa.insert(table(Institution)),
                [
                    {**chain, "code": c, "name": c, "kind": k, "zone": ZONES.get(c, "UTC"), "altitude_m": None}
                    for c, k in PARTIES.items()
                ],
            )
            braithmoss = {"code": "BRM", "owner": "TRP", "prefix": "BRM", "zone": "Europe/London", "name": "Braithmoss"}
            connection.execute(
                sa.insert(table(Collection)),
                [{**chain, **braithmoss, "late_after_s": 86_400, "cut_overshoot_ppm": 50_000}],
            )
            connection.execute(sa.insert(table(BalanceVersion)), [self._balance(chain, *b) for b in BALANCES])

    @staticmethod
    def _balance(chain: dict[str, Any], code: str, site: str, d: str, s: str, good: str) -> dict[str, Any]:
        figures = {"readability_ng": Mass.parse(d).ng, "repeatability_ng": Mass.parse(s).ng}
        until = datetime.fromisoformat(good).date()
        return {**chain, "code": code, "institution": site, "what": "balance", **figures, "good_until": until}

    def writing(self) -> Any:
        """A transaction that writes."""
        return Writing(self.database)

    def tell(
        self,
        kind: str,
        subjects: str | Iterable[str],
        happened: str,
        acting_for: str = "TRP",
        told: str | None = None,
        *,
        id: str | None = None,
        actor: str | None = None,
        amends: str | None = None,
        expected: str | None = None,
        withdraw: bool = False,
        **body: Any,
    ) -> dict[str, Any]:
        """Tell one fact, recorded at ``told`` (else at ``happened``); raises what it failed with."""
        names = [subjects] if isinstance(subjects, str) else list(subjects)
        named = tuple(_named(n) for n in names)
        self.clock = parse_instant(told or happened)
        event_id = id or str(uuid.UUID(int=next(self.sequence) + 1))
        request = {
            "id": event_id,
            "kind": kind,
            "at": happened,
            "subjects": names,
            "body": body,
            "amends": amends or "",
        }
        body = {name.rstrip("_"): value for name, value in body.items()}
        fact = Told(event_id, kind, named, When(happened), acting_for, body, request)
        if amends:
            new = None if withdraw else fact
            content = {"expected": expected, "because": "it was otherwise"}
            fact = Told(event_id, "amended", named, When(happened), acting_for, content, request, amends, new)
        who = Actor(actor or f"p-{acting_for}", frozenset({(acting_for, "clerk"), (acting_for, "curator")}))
        with self.writing() as connection:
            (result,) = record.tell(connection, who, lambda: self.clock, Envelope(), [fact])
        if isinstance(result, errors.ShipsvcError):
            raise result
        assert isinstance(result, Answer)
        return {**result.body, "replayed": result.replayed}

    def ship(self, code: str, consignor: str, addressee: str, valid_from: str, version: int = 1) -> None:
        """Write down a shipment."""
        at = parse_instant(valid_from)
        row = {
            "code": code,
            "version": version,
            "valid_from": at,
            "recorded_at": at,
            "actor": "p00",
            "because": "",
            "consignor": consignor,
            "addressee": addressee,
            "carrier": "CRK",
            "expected_by": None,
            "loan": None,
            "why": "",
        }
        with self.writing() as connection:
            shipments.add_version(connection, row)

    def place(self, code: str, profile: str, valid_from: str = "2020-01-01T00:00:00Z", told: str = "") -> None:
        """Write down a storage place of the institution that its code begins with."""
        recorded_at = parse_instant(told) if told else EARLY
        chain = {"version": 1, "valid_from": parse_instant(valid_from), "recorded_at": recorded_at, "actor": "p00"}
        words = {"code": code, "institution": code.partition("-")[0], "what": "cabinet", "profile": profile}
        with self.writing() as connection:
            connection.execute(sa.insert(table(Place)), [{**chain, **words, "because": "start", "custodian": None}])

    def describe(self, code: str, **words: Any) -> None:
        """Write down a storage profile."""
        chain = {"version": 1, "valid_from": EARLY, "recorded_at": EARLY, "actor": "p00", "because": "start"}
        empty = {"what": "cabinet", "limits": "[]", "as_strict_as": "[]", "contact_materials": "[]"}
        figures = {"least_readings": 2, "spike_allowance_s": 0}
        row = {**chain, "code": code, "institution": "TRP", **empty, **figures, **words}
        with self.writing() as connection:
            connection.execute(sa.insert(table(ProfileVersion)), [row])

    def fell(self, at: str) -> None:
        """The collection says when its material fell."""
        fallen = {**self.all(Collection)[-1], "version": 2, "fell_at": parse_instant(at)}
        with self.writing() as connection:
            connection.execute(sa.insert(table(Collection)), [fallen])

    def state(self, name: str, as_of: str, known_on: str | None = None) -> State:
        """The state of an item at an instant, as known then or now."""
        at = spans.at(parse_instant(as_of), parse_instant(known_on) if known_on else self.clock)
        with self.database.engine.connect() as connection:
            found = rows(connection, sa.select(spans.SPAN).where(spans.SPAN.c.item == number(name), at))
        assert len(found) <= 1, "spans as known on one day may not overlap"
        return spans.decode(found[0]) if found else NOTHING

    def all(self, model: Any) -> list[dict[str, Any]]:
        """Every row of a table."""
        with self.database.engine.connect() as connection:
            return [dict(row) for row in rows(connection, sa.select(table(model)))]

    def item(self, name: str) -> Any:
        """The row of an item."""
        with self.database.engine.connect() as connection:
            return items.by_numbers(connection, [number(name)])[number(name)]


BALANCES = [
    ("B1", "TRP", "0.1 mg", "0.15 mg", "2027-01-31"),
    ("B2", "TRP", "0.01 mg", "0.02 mg", "2027-01-31"),
    ("B3", "TRP", "0.001 mg", "0.003 mg", "2027-01-31"),
    ("B5", "SMP", "0.001 mg", "0.004 mg", "2026-12-15"),
    ("B6", "TSI", "0.01 mg", "0.025 mg", "2027-03-31"),
    ("B7", "MRL", "0.1 mg", "0.2 mg", "2026-11-30"),
]


def _named(name: str) -> Named:
    text, _, serial = name.partition(".")
    return Named(number(text), int(serial) if serial else None)


class Writing:
    """A writing transaction, as the edge makes one."""

    def __init__(self, database: Database) -> None:
        self.database = database

    def __enter__(self) -> sa.Connection:
        self.database.write_lock.__enter__()
        self.connection = self.database.engine.connect().execution_options(writes=True)
        self.transaction = self.connection.begin()
        return self.connection

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            self.transaction.rollback() if kind else self.transaction.commit()
            self.connection.close()
        finally:
            self.database.write_lock.__exit__(None, None, None)
