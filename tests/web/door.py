"""Facts told over HTTP: a service with a lender, a laboratory, a carrier and their people."""

import itertools
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from shipsvc.domain import codes
from shipsvc.store.engine import rows
from shipsvc.store.tables import metadata
from tests.web.service import Running, running

Json = dict[str, Any]
BRAITHMOSS = {"code": "BRM", "owner": "TRP", "prefix": "BRM", "zone": "Europe/London", "name": "Braithmoss"}
#: Numbers of this test's own choice, with their check characters.
SAMPLE, OTHER, JAR, BOX = "BRM-0010-J", "BRM-0011-H", "J-01-V", "P-01-K"
NOON = "2026-03-10T12:00:00Z"
#: Login names and what each is.
PEOPLE = {
    "curator": [("TRP", "curator"), ("TRP", "clerk")],
    "clerk": [("TRP", "clerk")],
    "analyst": [("TSI", "analyst")],
    "driver": [("CRK", "driver")],
    "auditor": [("TRP", "auditor")],
}


@dataclass
class Door:
    """A running service, the headers of its people, and facts with ids of their own."""

    service: Running
    people: dict[str, dict[str, str]]
    sequence: "itertools.count[int]" = field(default_factory=itertools.count)
    #: Two apart, since one whose check character cannot be issued is passed over.
    numbers: "itertools.count[int]" = field(default_factory=lambda: itertools.count(100, 3))

    def fact(self, kind: str = "seen", subjects: str = SAMPLE, at: str = "2026-03-10T11:00:00Z", **said: Any) -> Json:
        """A fact as it is sent; ``id``, ``acting_for``, ``note`` and ``time`` may be given, all else is its body."""
        own: Json = {name: said.pop(name) for name in ("id", "acting_for", "note", "time") if name in said}
        # RFC 9562: version 7, variant 8; the rest counts.
        event_id = f"0195a3c2-6f00-7000-8000-{next(self.sequence):012x}"
        told = {"id": event_id, "kind": kind, "subjects": subjects.split(), "acting_for": "TRP", "time": {"raw": at}}
        return {**told, "body": {name.rstrip("_"): value for name, value in said.items()}, **own}

    def number(self, prefix: str = "BRM") -> str:
        """A number that no other test of the module uses, with its check character."""
        (found,) = codes.numbers_after(prefix, next(self.numbers), 1)
        return codes.display(found)

    def amendment(self, of: str, replacement: Json | None, **said: Any) -> Json:
        """An amendment as it is sent; ``replacement`` is a whole fact, of which only the content counts."""
        new = (
            {k: v for k, v in replacement.items() if k in {"kind", "subjects", "time", "body"}} if replacement else None
        )
        body = {"because": "read off wrongly", "replacement": new}
        body |= {"expected": said.pop("expected")} if "expected" in said else {}
        told = {**self.fact("amended", at=NOON), "amends": of, "body": body, **said}
        del told["subjects"]
        return told

    def tell(self, fact: Json, who: str = "clerk", status: int = 201, **envelope: Any) -> Json:
        """Tell one fact; the answer, which must have the status."""
        return self.service.post("/v1/events", {"fact": fact, **envelope}, self.people[who], status)

    def tell_all(self, facts: list[Json], who: str = "clerk", **envelope: Any) -> list[Json]:
        """Tell many at once; the answers."""
        body = {"facts": facts, **envelope}
        found: list[Json] = self.service.post("/v1/events", body, self.people[who], 200)["results"]
        return found

    def read(self, event_id: str, who: str = "clerk", status: int = 200) -> Json:
        """One fact, read back."""
        return self.service.get(f"/v1/events/{event_id}", self.people[who], status)

    def refused(self, fact: Json, status: int = 422, who: str = "clerk") -> tuple[str, str | None, str]:
        """Tell one fact that is not taken: (code, pointer, detail) of the problem."""
        problem = self.tell(fact, who, status)
        faults = problem["errors"]
        return problem["code"], faults[0]["pointer"] if faults else None, problem["detail"]

    def stored(self) -> dict[str, list[tuple[Any, ...]]]:
        """Everything in the database, table by table."""
        with self.service.service.database.engine.connect() as connection:
            tables = metadata.sorted_tables
            return {t.name: sorted(map(tuple, connection.execute(sa.select(t))), key=repr) for t in tables}

    def all(self, table: sa.Table, *clauses: sa.ColumnElement[bool]) -> list[Mapping[str, Any]]:
        """Rows of a table."""
        with self.service.service.database.engine.connect() as connection:
            return list(rows(connection, sa.select(table).where(*clauses)))


def new_id() -> str:
    """An id for a fact, like no other."""
    return str(uuid.uuid4())


@contextmanager
def opened(database_url: str, **settings: Any) -> Iterator[Door]:
    """The service on a migrated, empty database, with the people of PEOPLE."""
    with running(database_url, **settings) as service:
        service.institution("TSI", zone="Asia/Tokyo")
        service.institution("CRK", kind="courier", zone="Etc/UTC")
        service.post("/v1/collections", {**BRAITHMOSS, "because": "start"}, service.token("first"))
        yield Door(service, {login: service.add(login, *roles) for login, roles in PEOPLE.items()})
