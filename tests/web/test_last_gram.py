"""The approval race (trade case 86): many approvals of the last gram in one instant, with real threads and connections.

On PostgreSQL one transaction is held up between its reckoning and its writing, so that another one must wait for it; on
both databases many start at once, and what they promise never exceeds the headroom.
"""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import event

from tests.databases import throwaway
from tests.postgres import Postgres
from tests.web.collection import Collection, collection
from tests.web.reserved import asked, granted, reserved

WRITERS = 8


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """100 mg of headroom, once on each database."""
    with collection(database_url) as found:
        reserved(found)
        yield found


@pytest.fixture
def pg(postgres_server: Postgres, postgres_template: str) -> Iterator[Collection]:
    """The same on PostgreSQL alone."""
    with throwaway(postgres_server, postgres_template) as (_, url), collection(url) as found:
        reserved(found)
        yield found


def at_once(world: Collection, path: str, bodies: dict[str, Any]) -> list[Any]:
    """What the requests with these codes are answered, when all are decided on in one instant."""
    together = threading.Barrier(len(bodies))
    head = dict(world.head("cur"))

    def decide(code: str) -> Any:
        together.wait()
        return world.running.client.post(f"/v1/requests/{code}/{path}", json=bodies[code], headers=head)

    with ThreadPoolExecutor(len(bodies)) as pool:
        return list(pool.map(decide, bodies))


def approval(world: Collection, mass_mg: str, sample: str = "stone") -> Any:
    """One piece of a sample."""
    return {"grants": [{"sample": world.running.people[sample], "mass_mg": mass_mg}], "because": "approved"}


@pytest.mark.parametrize("attempt", range(3))
def test_of_two_approvals_of_the_last_gram_one_wins(world: Collection, attempt: int) -> None:
    """The other one is refused with the largest that is still allowed: nothing. They are of two samples, so that it is
    the reserve that they meet in."""
    codes = [asked(world, "100") for _ in range(2)]
    bodies = {codes[0]: approval(world, "100"), codes[1]: approval(world, "100", "half")}

    answers = at_once(world, "approve", bodies)

    assert sorted(answer.status_code for answer in answers) == [200, 409], attempt
    (refused,) = (answer.json() for answer in answers if answer.status_code == 409)
    assert (refused["code"], "at most 0 mg" in refused["detail"]) == ("more_than_headroom", True)
    found = world.get("cur", "reports/headroom", collection="BRAITHMOSS")
    assert (found["promised_mg"], found["headroom_mg"]) == ("100", "0")


def test_many_approvals_never_promise_more_than_there_is(world: Collection) -> None:
    """Eight at once of 30 mg each out of 100 mg: three win, whichever they are."""
    bodies = {asked(world, "30"): approval(world, "30", ("stone", "half")[n % 2]) for n in range(WRITERS)}

    answers = at_once(world, "approve", bodies)

    assert sorted(answer.status_code for answer in answers) == [200] * 3 + [409] * 5
    assert all("at most 10 mg" in answer.text for answer in answers if answer.status_code == 409)
    found = world.get("cur", "reports/headroom", collection="BRAITHMOSS")
    assert (found["promised_mg"], found["headroom_mg"], len(found["promises"])) == ("90", "10", 3)


def test_the_last_of_a_working_sample_is_promised_once(world: Collection) -> None:
    """What is no reserve can be promised down to nothing, and no further: 200 mg, asked for twice."""
    bodies = {asked(world, "200"): approval(world, "200", "dust") for _ in range(2)}

    assert sorted(answer.status_code for answer in at_once(world, "approve", bodies)) == [200, 409]


def test_one_request_is_decided_once(world: Collection) -> None:
    """Two curators approve the same request at once: one of them is told that it is approved already."""
    code = asked(world, "40")
    body, head = approval(world, "40"), dict(world.head("cur"))
    together = threading.Barrier(2)

    def decide(_: int) -> int:
        together.wait()
        return world.running.client.post(f"/v1/requests/{code}/approve", json=body, headers=head).status_code

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(decide, range(2))) == [200, 409]
    assert world.get("cur", "reports/headroom", collection="BRAITHMOSS")["promised_mg"] == "40"


def test_an_approval_waits_for_one_that_has_not_committed(pg: Collection) -> None:
    """The first has reckoned and not yet written when the second begins: without the lock both would find 100 mg."""
    first, second = asked(pg, "100"), asked(pg, "100")
    there, go_on = threading.Event(), threading.Event()
    engine = pg.running.service.database.engine

    def stop(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.startswith("INSERT INTO promise") and not there.is_set():
            there.set()
            assert go_on.wait(30)

    event.listen(engine, "before_cursor_execute", stop)
    try:
        with ThreadPoolExecutor(2) as pool:
            one = pool.submit(granted, pg, first, "100", 200)
            assert there.wait(30)
            other = pool.submit(granted, pg, second, "100", 409)
            waited = not _done_within(other, 0.5)
            go_on.set()
            assert (waited, one.result()["status"]) == (True, "approved")
            assert "at most 0 mg" in other.result()["detail"]
    finally:
        go_on.set()
        event.remove(engine, "before_cursor_execute", stop)


def test_an_act_and_an_approval_wait_for_each_other(pg: Collection) -> None:
    """Trade case 87: a use of 60 mg of the reserve that has not committed is not overlooked by an approval of 60 mg."""
    code, stone = asked(pg, "60"), pg.running.people["stone"]
    there, go_on = threading.Event(), threading.Event()
    engine = pg.running.service.database.engine

    def stop(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.startswith("INSERT INTO event ") and not there.is_set():
            there.set()
            assert go_on.wait(30)

    event.listen(engine, "before_cursor_execute", stop)
    try:
        with ThreadPoolExecutor(2) as pool:
            at = pg.running.clock.at.isoformat()
            use = pool.submit(pg.tell, "cur", "TRP", "used", stone[:-2], at, mass="60 mg", balance="B1")
            assert there.wait(30)
            approve = pool.submit(granted, pg, code, "60", 409)
            assert not _done_within(approve, 0.5)
            go_on.set()
            assert use.result()["flags"] == []
            assert "at most 40 mg" in approve.result()["detail"]
    finally:
        go_on.set()
        event.remove(engine, "before_cursor_execute", stop)


def _done_within(future: Any, seconds: float) -> bool:
    try:
        future.result(seconds)
    except TimeoutError:
        return False
    return True
