"""People who leave, and names that are erased: sign-in ends, signature remains, duties pass on.

The case is rule 81 of the trade's list; the story is that of p15 and p16 in the invented scenario (E-32).
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from shipsvc.app import fsck
from tests.web.documents import new_id
from tests.web.service import PASSWORD, Running, running

NUMBER = "BRM-0022-B"
LEFT = {"from_at": "2026-06-15T04:00:00Z"}
TOLD = datetime(2026, 7, 20, 10, 5, tzinfo=UTC)


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """p15 accepted a sample at LSC and answers for it; p16 deputises. Once on each database."""
    with running(database_url) as found:
        yield lent(found)


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Running]:
    """The same on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url) as found:
        yield lent(found)


def lent(service: Running) -> Running:
    """L-05: signed, sent and accepted on 2026-03-10."""
    service.institution("LSC", zone="America/Toronto")
    curator = service.add("cur", ("TRP", "curator"))
    head = service.add("p15", ("LSC", "responsible"), ("LSC", "receiver"))
    service.add("p16", ("LSC", "deputy"))
    service.add("p17", ("LSC", "mail_room"))
    tell(service, curator, "registered", "TRP", item="sample", mass="250.31 mg")
    terms = {"lender": "TRP", "borrower": "LSC", "due_on": "2026-12-31"}
    loan = {"code": "L-05", "lines": [NUMBER], "responsible": service.people["p15"], **terms}
    service.post("/v1/loans", loan, curator)
    tell(service, curator, "released", "TRP", to="LSC")
    tell(service, head, "accepted", "LSC", from_="TRP")
    return service


def tell(service: Running, headers: dict[str, str], kind: str, acting_for: str, **body: Any) -> None:
    """A fact about the sample that happens a minute later."""
    service.clock.forward(minutes=1)
    fact: dict[str, Any] = {"id": new_id(), "kind": kind, "subjects": [NUMBER], "acting_for": acting_for}
    fact |= {"time": {"raw": service.clock.at.isoformat()}, "body": {k.rstrip("_"): v for k, v in body.items()}}
    service.post("/v1/events", {"fact": fact}, headers)


def leave(service: Running, login: str, by: str, status: int = 200) -> dict[str, Any]:
    """Told on 2026-07-20 that somebody had left five weeks before."""
    service.clock.at = max(TOLD, service.clock.at)
    return service.post(f"/v1/people/{service.people[login]}/leave", LEFT, service.token(by), status)


def answers(service: Running, **moments: str) -> tuple[str, str, str | None]:
    """Why, where, and who answers for the loan, as its lender asks."""
    found = service.get("/v1/loans/L-05", service.token("cur"), 200, **moments)["answers"]
    logins = {person: login for login, person in service.people.items()}
    return found["why"], found["institution"], logins.get(found["person"])


def test_duties_of_who_left_pass_to_the_deputy_then_to_the_institution(service: Running) -> None:
    """From the date on, as far as it was known; a second leaving leaves nobody but the institution."""
    assert answers(service) == ("named", "LSC", "p15")

    leave(service, "p15", "p16")

    assert answers(service) == ("deputy", "LSC", "p16")
    assert answers(service, as_of="2026-06-16T12:00:00Z") == ("deputy", "LSC", "p16")
    assert answers(service, as_of="2026-06-14T12:00:00Z") == ("named", "LSC", "p15")
    day = "2026-06-16T12:00:00Z"
    assert answers(service, as_of=day, known_on=day) == ("named", "LSC", "p15")
    leave(service, "p16", "first")
    assert answers(service) == ("institution", "LSC", None)


def test_sign_in_ends_and_signature_remains(service: Running) -> None:
    """A token in hand stops, the password opens nothing more, and what was told stays told by the same person."""
    service.clock.at = TOLD
    token = service.token("p15")

    gone = leave(service, "p15", "p16")

    assert (gone["roles"], gone["closed_at"]) == ([], LEFT["from_at"])
    service.get("/v1/me", token, 401)
    form = {"grant_type": "password", "username": "p15", "password": PASSWORD}
    assert service.client.post("/v1/token", data=form).status_code == 400
    entries = service.get(f"/v1/items/{NUMBER}/history", service.token("cur"))["items"]
    assert service.people["p15"] in {entry["by"] for entry in entries}


def test_who_may_tell_of_a_leaving(embedded: Running) -> None:
    """Its deputy or an administrator; not the mail room, not another institution; not the last administrator's."""
    leave(embedded, "p15", "p17", 403)
    leave(embedded, "p15", "cur", 404)
    assert leave(embedded, "first", "first", 409)["code"] == "rule_forbids"
    leave(embedded, "p15", "first")


def test_an_erased_name_is_gone_and_the_record_holds(service: Running) -> None:
    """Name and email are nowhere in the answer or the database; id, roles and signature stay; fsck finds nothing."""
    path = f"/v1/people/{service.people['p15']}"
    service.post(f"{path}/erase-name", {}, service.token("p16"), 403)

    for _ in range(2):
        erased = service.post(f"{path}/erase-name", {}, service.token("first"), 200)

    assert (erased["name"], erased["email"], len(erased["roles"])) == ("", "", 2)
    entries = service.get(f"/v1/items/{NUMBER}/history", service.token("cur"))["items"]
    assert service.people["p15"] in {entry["by"] for entry in entries}
    with service.service.database.engine.connect() as connection:
        names = connection.exec_driver_sql("SELECT name FROM person_name").scalars().all()
        assert list(fsck.check(connection)) == []
    assert "P15" not in names
