"""The signing keys of several processes on one database: made once, followed at the right time, seen by all."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
import sqlalchemy as sa

from shipsvc.config import Settings
from shipsvc.store.engine import open_database
from shipsvc.web.deps import Service
from shipsvc.web.keys import KEY_LIFETIME, READ_AGAIN_AFTER, Keys
from shipsvc.web.metrics import make_metrics
from shipsvc.web.tokens import KeyRing
from tests.web.service import Clock

#: A process: its keys, with a connection pool of its own.
Processes = list[Keys]


def process(url: str, clock: Clock) -> tuple[Service, Keys]:
    """A service of its own, as another process would have it."""
    service = Service(Settings(), open_database(url), make_metrics(kinds=()), keys=lambda: keys.ring(), clock=clock)
    keys = Keys(service)
    return service, keys


@pytest.fixture
def clock() -> Clock:
    """One clock for all processes."""
    return Clock()


@pytest.fixture
def processes(database_url: str, clock: Clock) -> Iterator[Processes]:
    """Six processes on one database, once on each kind."""
    made = [process(database_url, clock) for _ in range(6)]
    yield [keys for _, keys in made]
    for service, _ in made:
        service.database.engine.dispose()


def issue(ring: KeyRing, clock: Clock) -> str:
    """A token from the current key."""
    return ring.issue(sub="p", client_id="c", sid="s", now=clock())


def test_the_first_key_is_made_once(processes: Processes) -> None:
    """Six processes start together on an empty table and end up with one current and one next key."""
    together = Barrier(len(processes))

    def start(keys: Keys) -> KeyRing:
        together.wait()
        return keys.ring()

    with ThreadPoolExecutor(len(processes)) as pool:
        rings = list(pool.map(start, processes))

    assert len({ring.current.kid for ring in rings}) == 1
    assert {key["kid"] for ring in rings for key in ring.jwks()["keys"]} == {
        rings[0].current.kid,
        *(key.kid for key in rings[0].others),
    }
    assert len(rings[0].others) == 1


def test_a_rotation_elsewhere_is_seen_within_a_minute(processes: Processes, clock: Clock) -> None:
    """What one process rotates, another goes by once a minute has passed on its clock, and not before."""
    one, two = processes[:2]
    before = two.ring()
    one.ring()
    with one._service.database.engine.begin() as connection:  # a key that was published a whole lifetime ago
        connection.execute(sa.text("UPDATE signing_key SET starts_at = created_at"))
    clock.forward(seconds=READ_AGAIN_AFTER.total_seconds() - 1)
    after = one.rotate()

    assert two.ring() is before
    clock.forward(seconds=1)
    assert two.ring() == after
    assert after.current != before.current


def test_keys_follow_each_other_by_the_clock(processes: Processes, clock: Clock) -> None:
    """Asked now and then over half a year, no token loses its key, at most three are stored, and six have signed."""
    signed = set()
    for _ in range(180):
        clock.forward(days=1)
        one, two = (keys.ring() for keys in processes[:2])
        token = issue(one, clock)
        assert two.verify(token, clock()).sub == "p"
        assert processes[2].ring().verify(token, clock() + timedelta(minutes=14)).sub == "p"
        signed.add(one.current.kid)
        with processes[0]._service.database.engine.connect() as connection:
            assert connection.execute(sa.text("SELECT count(*) FROM signing_key")).scalar_one() <= 3
    assert len(signed) == 180 // KEY_LIFETIME.days


def test_a_key_is_published_before_it_signs(processes: Processes, clock: Clock) -> None:
    """The key that signs after a lifetime stood in the key set all that time, and did not sign before."""
    first = processes[0].ring()
    (following,) = first.others
    clock.forward(days=KEY_LIFETIME.days, seconds=-1)
    assert processes[1].ring().current == first.current
    clock.forward(seconds=1)

    assert processes[2].ring().current == following


def test_a_clock_set_back_does_no_harm(processes: Processes, clock: Clock) -> None:
    """A year back there is a key all the same, the same for all, and none is made for each reading."""
    late = processes[0].ring()
    clock.forward(days=-365)

    rings = [keys.ring() for keys in processes]

    assert {ring.current for ring in rings} == {late.current}
    assert {len(ring.others) for ring in rings} == {1}


def test_a_database_that_only_reads_keeps_its_keys(sqlite_database_url: str, clock: Clock) -> None:
    """A standby on which a key is due makes none, verifies by those there are, and cannot make the very first one."""
    standby, held = process(sqlite_database_url, clock)
    sa.event.listen(standby.database.engine, "connect", lambda dbapi, _: dbapi.execute("PRAGMA query_only=ON"))
    with pytest.raises(sa.exc.OperationalError, match="readonly"):
        held.ring()
    primary, keys = process(sqlite_database_url, clock)
    keys.ring()
    clock.forward(days=KEY_LIFETIME.days, minutes=-1)
    token = issue(keys.ring(), clock)
    clock.forward(minutes=1)

    assert held.ring().verify(token, clock()).sub == "p"
    assert len(held.ring().others) == 1
    for service in (primary, standby):
        service.database.engine.dispose()
