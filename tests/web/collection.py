"""A service with a collection, people at three institutions, and short ways to tell facts over HTTP."""

import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from shipsvc.app import access, identity
from shipsvc.domain import codes
from shipsvc.store import sessions
from shipsvc.web.deps import transaction
from tests.web.service import Running, running

Json = dict[str, Any]
BALANCES = {"B1": ("TRP", "0.1", "0.15"), "B3": ("TRP", "0.001", "0.003"), "B5": ("SMP", "0.001", "0.004")}


@dataclass
class Collection:
    """Tarnhythe (TRP) owns and lends, Sevrin Mesa (SMP) borrows, a courier (CRK) carries, Marlstrand (MRL) looks on."""

    running: Running

    def head(self, login: str) -> Mapping[str, str]:
        """Who is asking. Signing in with a password takes longer than all else, and has tests of its own."""
        ring, now = self.running.service.keys(), self.running.clock()
        token = ring.issue(sub=self.running.people[login], client_id="tests", sid=session_id(login), now=now)
        return {"Authorization": f"Bearer {token}"}

    def at(self, text: str) -> None:
        """Set the clock, which never goes back."""
        self.running.clock.at = max(self.running.clock.at, datetime.fromisoformat(text))

    def tell(
        self,
        who: str,
        acting_for: str,
        kind: str,
        subjects: str,
        happened: str,
        told: str = "",
        *,
        amends: str = "",
        expected: str | None = None,
        withdraw: bool = False,
        status: int = 201,
        **body: Any,
    ) -> Json:
        """Tell one fact; told when it happened unless said otherwise."""
        self.at(told or happened)
        named = [typed(name) for name in subjects.split()]
        said = {name.rstrip("_"): value for name, value in body.items()}
        fact: Json = {"id": str(uuid.uuid4()), "kind": kind, "time": {"raw": happened}, "acting_for": acting_for}
        if amends:
            new = {"kind": kind, "subjects": named, "time": {"raw": happened}, "body": said}
            content = {"because": "it was otherwise", "expected": expected, "replacement": None if withdraw else new}
            fact |= {"kind": "amended", "amends": amends, "body": content}
        else:
            fact |= {"subjects": named, "body": said}
        return self.running.post("/v1/events", {"fact": fact}, self.head(who), status)

    def get(self, who: str, path: str, status: int = 200, /, **asked: str) -> Json:
        """GET below /v1."""
        answer = self.running.client.get(f"/v1/{path}", params=asked, headers=dict(self.head(who)))
        assert answer.status_code == status, answer.text
        found: Json = answer.json()
        return found

    def post(self, who: str, path: str, body: Json, status: int = 201) -> Json:
        """POST below /v1."""
        return self.running.post(f"/v1/{path}", body, self.head(who), status)

    def issue(self, who: str = "clerk", **body: Any) -> Json:
        """Register things; a vial of TRP unless said otherwise."""
        usual = {"kind": "container", "form": "vial", "what": "4 ml", "acting_for": "TRP", "prefix": "V", "count": 1}
        return self.post(who, "items", usual | body)


def typed(name: str) -> str:
    """``BRM-0010`` as people type it, with its check character; a print code is typed already."""
    return name if "." in name else codes.display(name.replace("-", ""))


@contextmanager
def collection(database_url: str) -> Iterator[Collection]:
    """The service in March 2026, with institutions, people, prefixes and balances, and no item yet."""
    with running(database_url) as service:
        found = Collection(service)
        open_session(service, "first")
        for code, kind in (("SMP", "borrower"), ("CRK", "courier"), ("MRL", "borrower")):
            body = {"code": code, "name": f"Institute {code}", "kind": kind, "zone": "UTC", "because": "First"}
            found.post("first", "institutions", body)
        _people(service)
        braithmoss = {"owner": "TRP", "prefix": "BRM", "name": "Braithmoss", "zone": "Europe/London"}
        found.post("cur", "collections", {"code": "BRAITHMOSS", **braithmoss, "because": "First"})
        for prefix, what in (("V", "Vials"), ("J", "Jars"), ("P", "Parcels")):
            found.post("cur", "prefixes", {"prefix": prefix, "institution": "TRP", "because": what})
        for code, (site, d, s) in BALANCES.items():
            figures = {"readability_mg": d, "repeatability_mg": s, "good_until": "2027-01-31"}
            body = {"code": code, "institution": site, "what": "balance", **figures, "because": "First"}
            found.post("first", "balances", {**body, "valid_from": "2025-01-01T00:00:00Z"})
        yield found


def session_id(login: str) -> str:
    """The id of the session that ``open_session`` opens."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, login))


def open_session(running: Running, login: str) -> None:
    """A session that nothing ends."""
    now = running.clock()
    times = {"started_at": now, "last_used_at": now, "expires_at": now + timedelta(days=3650)}
    about = {"id": session_id(login), "person": running.people[login], "client_id": "tests", "address": "tests"}
    with transaction(running.service, writes=True) as connection:
        sessions.add(connection, {**about, **times})


def _people(running: Running) -> None:
    with transaction(running.service, writes=True) as connection:
        now = running.clock()
        first = access.actor(connection, running.people["first"], now)
        for login, *roles in PEOPLE:
            running.people[login] = identity.add_person(
                connection, first, now, name=login, email="", login=login, password_hash="none", roles=roles
            )
    for login, *_ in PEOPLE:
        open_session(running, login)


PEOPLE: list[tuple[Any, ...]] = [
    ("cur", ("TRP", "curator")),
    ("clerk", ("TRP", "clerk")),
    ("ana", ("SMP", "analyst")),
    ("driver", ("CRK", "driver")),
    ("stranger", ("MRL", "analyst")),
    ("aud", ("TRP", "auditor")),
]
