"""Looking people up: by name, institution and role, and only those whom one may see."""

from collections.abc import Iterator

import pytest

from tests.web.service import Running, running


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """Three people at LSC and TSI beside the administrator, once on each database."""
    with running(database_url) as found:
        for code in ("LSC", "TSI"):
            found.institution(code)
        found.add("p15", ("LSC", "responsible"))
        found.add("p16", ("LSC", "deputy"), ("LSC", "clerk"))
        found.add("p08", ("TSI", "responsible"))
        found.add("p24", ("TRP", "auditor"))
        yield found


def found(service: Running, by: str, **asked: str) -> set[str]:
    """The logins of those who are found."""
    logins = {person: login for login, person in service.people.items()}
    rows = service.get("/v1/people", service.token(by), 200, **asked)["items"]
    return {logins[row["person"]] for row in rows}


def test_one_finds_people_of_ones_own_institutions(service: Running) -> None:
    """Others are not there (rulings 16), however they are asked for; who sees all finds everybody."""
    assert found(service, "p15") == {"p15", "p16"}
    assert found(service, "p15", institution="TSI") == found(service, "p15", q="p08") == set()
    assert found(service, "p24") == {"first", "p08", "p15", "p16", "p24"}


def test_by_name_institution_and_role(service: Running) -> None:
    """Part of a name whatever its case, a role anywhere, or a role at an institution; wildcards are letters."""
    assert found(service, "first", q="p1") == {"p15", "p16"}
    assert found(service, "first", role="responsible") == {"p08", "p15"}
    assert found(service, "first", institution="LSC", role="clerk", q="16") == {"p16"}
    assert found(service, "first", institution="TSI", role="clerk") == set()
    assert found(service, "first", q="%") == found(service, "first", q="p_") == set()


def test_a_role_that_ended_finds_nobody_and_one_still_to_come_neither(service: Running) -> None:
    """Of the changes that have begun, the one told last decides, as it does for what a person may do."""
    first, path = service.token("first"), f"/v1/people/{service.people['p16']}/roles"
    service.clock.forward(minutes=1)
    service.post(path, {"institution": "LSC", "role": "clerk", "change": "end"}, first)
    later = {"institution": "LSC", "role": "curator", "change": "grant", "from_at": "2026-04-01T00:00:00Z"}
    service.post(path, later, first)

    assert found(service, "first", role="clerk") == found(service, "first", role="curator") == set()
    assert found(service, "first", institution="LSC") == {"p15", "p16"}
    (row,) = service.get("/v1/people", first, 200, q="P16")["items"]
    assert row["roles"] == [{"institution": "LSC", "role": "deputy"}]
    assert row == service.get(f"/v1/people/{service.people['p16']}", first)


def test_people_of_the_successor_find_those_who_came_over(service: Running) -> None:
    """Whose institution took over sees the people of the old one, who keep their roles there."""
    assert found(service, "p08") == {"p08"}
    merged = {"successor": "TSI", "because": "Merged"}
    service.post("/v1/institutions/LSC/successor", merged, service.token("first"))

    assert found(service, "p08") == {"p08", "p15", "p16"}
    assert found(service, "p15") == {"p15", "p16"}


def test_everybody_is_found_page_by_page(service: Running) -> None:
    """Two at a time, each once; links lead on (RFC 8288)."""
    first, seen = service.token("first"), []
    answer = service.client.get("/v1/people", params={"limit": 2, "q": "p"}, headers=first)
    while True:
        seen += [row["person"] for row in answer.json()["items"]]
        if "next" not in answer.links:
            break
        answer = service.client.get(answer.links["next"]["url"], headers=first)

    assert sorted(seen) == seen
    assert len(seen) == len(set(seen)) == 5
