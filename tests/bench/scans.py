"""A collection to tell facts about, and the facts: scans of vials on their way out of the store and back."""

import random
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from starlette.testclient import TestClient

from shipsvc.config import Settings
from shipsvc.domain import codes
from shipsvc.main import create_app
from tests.bench.bases import Base
from tests.web.service import Clock, Running, running

Json = dict[str, Any]
LOGIN: Final = "clerk"
VIALS: Final = 1000
BATCH: Final = 1000
#: The rounds that a vial goes through, again and again; each changes where it is.
ROUND: Final = (("taken_out", "TRP-R1"), ("seen", "TRP-R2"), ("stored", "TRP-V1"))
BOX: Final = codes.display(codes.numbers_after("P", 0, 1)[0])


def vials() -> list[str]:
    """Their numbers as people type them; one more than go into the box."""
    return [codes.display(number) for number in codes.numbers_after("V", 0, VIALS + 1)]


class Teller:
    """Makes facts with ids of their own, each a second after the one before; a series begins a week after another."""

    def __init__(self, series: int) -> None:
        self._draw = random.Random(series)
        self._start = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(weeks=series)
        self._second = 0

    def fact(self, kind: str, subject: str, acting_for: str = "TRP", **body: Any) -> Json:
        """One fact as it is sent."""
        self._second += 1
        raw = (self._start + timedelta(seconds=self._second)).isoformat()
        fact_id = str(uuid.UUID(int=self._draw.getrandbits(128), version=4))
        fact = {"id": fact_id, "kind": kind, "subjects": [subject], "acting_for": acting_for, "time": {"raw": raw}}
        return {**fact, "body": body}

    def scans(self, count: int) -> Iterator[Json]:
        """Facts about one vial after the other, round by round."""
        numbers = vials()[:VIALS]
        for place in range(count):
            kind, where = ROUND[place // VIALS % len(ROUND)]
            yield self.fact(kind, numbers[place % VIALS], place=where)


@contextmanager
def prepared(url: str) -> Iterator[tuple[Running, dict[str, str]]]:
    """The service in this process on a database with people in it, and the clerk's header."""
    clock = Clock()
    app = create_app(Settings(database_url=url), clock)
    with TestClient(app) as client:
        service = Running(client, app.state.service, clock)
        # What is made ready here may take its time.
        service.service.longest_write_s = 600
        yield service, service.token(LOGIN)


def collection(base: Base) -> str:
    """The URL of a database with registered vials and a box, to be copied."""
    url = base.made()
    with running(url) as service:
        service.institution("CRK", kind="courier")
        header = service.add(LOGIN, ("TRP", "clerk"), ("CRK", "driver"))
        teller = Teller(0)
        things = [teller.fact("registered", BOX, item="parcel", form="overpack")]
        things += [teller.fact("registered", number, item="container", form="vial") for number in vials()]
        tell(service, header, things)
    return url


def tell(service: Running, header: dict[str, str], facts: list[Json], at_a_time: int = 100) -> None:
    """Tell many facts in this process."""
    for first in range(0, len(facts), at_a_time):
        told = service.post("/v1/events", {"facts": facts[first : first + at_a_time]}, header, 200)
        assert all(result["status"] == "recorded" for result in told["results"])
