"""What the stories share: a repository near London, a laboratory in Tokyo, a courier, and people who work for them.

Everything is said and asked over HTTP, as their own programs would; the clock stands where the story has come to.
"""

import itertools
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from tests.web.service import Running, running

Json = dict[str, Any]
#: A token lives for fifteen minutes of the story.
TOKEN_KEPT = timedelta(minutes=10)
BECAUSE = {"because": "First entry", "valid_from": "2026-01-01T00:00:00Z"}
PEOPLE = {
    "clerk": ("TRP", "clerk"),
    "curator": ("TRP", "curator"),
    "preparator": ("TRP", "preparator"),
    "auditor": ("TRP", "auditor"),
    "receiver": ("TSI", "receiver"),
    "analyst": ("TSI", "analyst"),
    "driver": ("CRK", "driver"),
    "neighbour": ("MRL", "receiver"),
}
PLACES = {"TRP-GB1": "TRP", "TSI-N1": "TSI"}
#: Balance: whose, readability and repeatability in mg (trade.md 2.2: analytical and semi-micro).
BALANCES = {"B1": ("TRP", "0.1", "0.15"), "B6": ("TSI", "0.01", "0.025")}


@dataclass
class House:
    """A running service in which the story's institutions and people are known."""

    running: Running
    tokens: dict[str, tuple[datetime, Mapping[str, str]]] = field(default_factory=dict)
    ids: "itertools.count[int]" = field(default_factory=lambda: itertools.count(1))

    def stand_at(self, text: str) -> None:
        """Move the clock to an instant; it never goes back."""
        self.running.clock.at = max(self.running.clock.at, datetime.fromisoformat(text))

    def person(self, login: str) -> "Person":
        """Somebody of the story, at work."""
        return Person(self, login, PEOPLE[login][0])

    def signed_in(self, login: str) -> Mapping[str, str]:
        """The header that says who asks."""
        now = self.running.clock.at
        since, header = self.tokens.get(login, (None, {}))
        if since is None or now - since > TOKEN_KEPT:
            header = self.running.token(login)
            self.tokens[login] = (now, header)
        return header

    def new_id(self) -> str:
        """An id for a fact, made as a client makes it (RFC 9562, version 7 with a counter for randomness)."""
        ms = int(self.running.clock.at.timestamp() * 1000)
        return str(uuid.UUID(int=ms << 80 | 0x7 << 76 | 0b10 << 62 | next(self.ids)))


@dataclass(frozen=True)
class Person:
    """One person, who speaks for the institution they work for."""

    house: House
    login: str
    institution: str

    # ------------------------------------------------------------------------------------------------------- asking
    def asks(self, path: str, status: int = 200, /, **params: str) -> Json:
        """The answer to a question below /v1, which must have the status."""
        headers = dict(self.house.signed_in(self.login))
        answer = self.house.running.client.get(f"/v1/{path}", params=params, headers=headers)
        assert answer.status_code == status, answer.text
        found: Json = answer.json()
        return found

    def reads(self, path: str, accept: str) -> bytes:
        """The answer as a file of that media type."""
        headers = {**self.house.signed_in(self.login), "Accept": accept}
        answer = self.house.running.client.get(f"/v1/{path}", headers=headers)
        assert answer.status_code == 200, answer.text
        assert answer.headers["Content-Type"].startswith(accept)
        return answer.content

    def rows(self, report: str, /, **params: str) -> list[Json]:
        """The rows of a report."""
        page = self.asks(f"reports/{report}", **params)
        assert page["next"] is None, "a story fits on one page"
        found: list[Json] = page["items"]
        return found

    # ------------------------------------------------------------------------------------------------------- telling
    def does(self, path: str, body: Json, status: int = 201) -> Json:
        """A command below /v1; its answer."""
        return self.house.running.post(f"/v1/{path}", body, self.house.signed_in(self.login), status)

    def fact(self, kind: str, subjects: str, at: str, **body: Any) -> Json:
        """A fact as it is sent; ``sequence`` makes it one that a device saw."""
        time: Json = {"raw": at}
        if "sequence" in body:
            time |= {"source": "device", "sequence": body.pop("sequence")}
        said = {name.rstrip("_"): value for name, value in body.items()}
        own = {"id": self.house.new_id(), "kind": kind, "acting_for": self.institution}
        return {**own, "subjects": subjects.split(), "time": time, "body": said}

    def tells(self, kind: str, subjects: str, at: str, told: str = "", **body: Any) -> Json:
        """A fact that happened ``at``, told then or at ``told``; the answer."""
        self.house.stand_at(told or at)
        return self.does("events", {"fact": self.fact(kind, subjects, at, **body)})

    def amends(self, event_id: str, because: str, told: str, kind: str, subjects: str, at: str, **body: Any) -> Json:
        """The whole fact anew in the place of an earlier one; the answer."""
        self.house.stand_at(told)
        new = self.fact(kind, subjects, at, **body)
        replacement = {name: new[name] for name in ("kind", "subjects", "time", "body")}
        told_as = self.fact("amended", "", told) | {"amends": event_id}
        del told_as["subjects"]
        return self.does("events", {"fact": told_as | {"body": {"because": because, "replacement": replacement}}})


@dataclass(frozen=True)
class Box:
    """A box with all that is in it, from the inside out, and the shipment that it travels on."""

    sample: str
    vial: str
    bag: str
    jar: str
    box: str
    shipment: str
    labels: Mapping[str, str]


@contextmanager
def house(database_url: str) -> Iterator[House]:
    """The service in March 2026, before anything has a number."""
    with running(database_url) as service:
        found = House(service)
        first = service.token("first")
        for code, kind, zone in (
            ("TSI", "borrower", "Asia/Tokyo"),
            ("MRL", "borrower", "Australia/Adelaide"),
            ("CRK", "courier", "Etc/UTC"),
        ):
            service.institution(code, kind=kind, zone=zone)
        for login, role in PEOPLE.items():
            service.add(login, role)
        braithmoss = {"owner": "TRP", "prefix": "BRM", "name": "Braithmoss", "zone": "Europe/London"}
        service.post("/v1/collections", {"code": "BRAITHMOSS", **braithmoss, **BECAUSE}, first)
        for prefix in "VJP":
            service.post("/v1/prefixes", {"prefix": prefix, "institution": "TRP", "because": "Packaging"}, first)
        for code, site in PLACES.items():
            service.post(
                "/v1/places", {"code": code, "institution": site, "what": "cabinet", "profile": "N", **BECAUSE}, first
            )
        for code, (site, d, s) in BALANCES.items():
            figures = {"readability_mg": d, "repeatability_mg": s, "good_until": "2027-01-31", "what": "balance"}
            service.post("/v1/balances", {"code": code, "institution": site, **figures, **BECAUSE}, first)
        yield found


def issued(who: Person, form: str, what: str, count: int = 1) -> list[tuple[str, str]]:
    """New numbers for things of that form with their first labels, as (number, print code) pairs."""
    prefix = {"material": "BRM", "overpack": "P", "vial": "V"}.get(form, "J")
    kind = {"material": "sample", "overpack": "parcel"}.get(form, "container")
    body = {"kind": kind, "form": form, "what": what, "acting_for": "TRP", "prefix": prefix, "count": count}
    return [(one["number"], one["print"]) for one in who.does("items", {**body, "print_labels": True})["items"]]


def stored_chip(of: House, mass: str = "1204.3 mg") -> tuple[str, str]:
    """A chip of the collection with its first mass, in its storage place; (number, print code)."""
    curator = of.person("curator")
    ((chip, label),) = issued(curator, "material", "interior chip")
    now = of.running.clock.at.isoformat()
    curator.tells("accessioned", chip, now, mass=mass, balance="B1", material="chip", moisture_class="CM")
    of.running.clock.forward(minutes=1)
    curator.tells("stored", chip, of.running.clock.at.isoformat(), place="TRP-GB1")
    of.running.clock.forward(minutes=1)
    return chip, label


def lent(of: House, code: str, *samples: str, due_on: str = "2026-05-31", **terms: Any) -> None:
    """The curator signs a loan of the samples to the laboratory in Tokyo."""
    words = {"code": code, "lender": "TRP", "borrower": "TSI", "responsible": "head of group", "purpose": "isotopes"}
    of.person("curator").does("loans", {**words, "lines": list(samples), "due_on": due_on, **terms})


def packed(of: House, at: str = "2026-03-11T08:30:00Z", *, addressee: str = "TSI", loan: str | None = None) -> Box:
    """A chip taken out half an hour before, in vial, bag, jar and sealed box, and its shipment written down."""
    clerk = of.person("clerk")
    chip, label = stored_chip(of)
    if loan:
        lent(of, loan, chip)
    things = {form: issued(clerk, form, form)[0] for form in ("vial", "bag", "jar", "overpack")}
    numbers = {form: number for form, (number, _) in things.items()}
    out_at = (datetime.fromisoformat(at) - timedelta(minutes=30)).isoformat()
    of.person("preparator").tells("taken_out", chip, out_at, place="TRP-GB1")
    clerk.tells("packed", chip, at, into=numbers["vial"], material=True)
    clerk.tells("packed", numbers["vial"], at, into=numbers["bag"])
    clerk.tells("packed", numbers["bag"], at, into=numbers["jar"])
    clerk.tells("sealed", numbers["jar"], at, seals=["S-0001"])
    clerk.tells("packed", numbers["jar"], at, into=numbers["overpack"])
    clerk.tells("sealed", numbers["overpack"], at, seals=["S-0002"])
    route = {"consignor": "TRP", "addressee": addressee, "carrier": "CRK", "expected_by": "2026-03-14T12:00:00Z"}
    words = {"loan": loan, "contents": [numbers["overpack"]], "handling": "Keep upright and dry."}
    code = clerk.does("shipments", {**route, **words})["code"]
    labels = {**dict(things.values()), chip: label}
    return Box(chip, numbers["vial"], numbers["bag"], numbers["jar"], numbers["overpack"], code, labels)


def handed_to_courier(of: House, box: Box, at: str, told: str = "") -> None:
    """Both words of the handover at the loading bay; the clerk's perhaps told late."""
    of.person("driver").tells("accepted", box.box, at, from_="TRP", shipment=box.shipment)
    of.person("clerk").tells("released", box.box, at, told, to="CRK", shipment=box.shipment)
