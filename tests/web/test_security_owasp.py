"""OWASP API Security Top 10 (2023), items 1, 2, 3 and 5, tried on every operation of the API description.

Operations are asked by their own examples, in a collection where the things of the examples are. None is named unless
it is meant to be open, and then with the reason: a new operation has to be guarded, or to be named in ``exempt``.
"""

import copy
import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from fastapi import APIRouter

from shipsvc.domain import codes
from tests.databases import copied
from tests.web.examples import Example, Json, example_of, operations
from tests.web.exempt import (
    ADMINISTRATION,
    DRY_RUNS,
    EVERYBODYS,
    NOBODY,
    OPEN,
    OWN,
    READINGS,
    ROLES,
    SECRETIVE,
    TOLD,
)
from tests.web.furnished import Names, furnish
from tests.web.service import PASSWORD, Running, running


@dataclass(frozen=True)
class World:
    """A furnished service, and the request that each operation is shown by."""

    service: Running
    names: Names
    described: Json
    examples: tuple[Example, ...]

    def guarded(self) -> Iterator[Example]:
        """The operations that need a sign-in."""
        found = [one for one in self.examples if one.name not in OPEN]
        assert len(found) > 70
        yield from found

    def status(self, asked: Example, head: Mapping[str, str]) -> int:
        """The status that an operation answers."""
        return asked.send(self.service.client, head).status_code

    def description(self, asked: Example) -> Json:
        """An operation as it is described."""
        found: Json = self.described["paths"][asked.path][asked.method]
        return found


@contextmanager
def furnished(database_url: str, *more: APIRouter) -> Iterator[World]:
    """The service with the things of the examples in it, and operations that it does not have of itself."""
    with running(database_url) as service:
        names = furnish(service)
        for router in more:
            service.client.app.include_router(router)  # type: ignore[attr-defined]  # see below
        described = service.client.app.openapi()  # type: ignore[attr-defined]  # TestClient knows it as an ASGI callable
        shown = tuple(example_of(described, names, *one) for one in operations(described))
        yield World(service, names, described, shown)


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """One for all tests here, since what is refused changes nothing."""
    with furnished(copied(sqlite_template, tmp_path_factory.mktemp("owasp") / "shipsvc.sqlite3")) as found:
        yield found


@pytest.fixture(scope="module")
def stranger(world: World) -> Mapping[str, str]:
    """Somebody with every role at an institution that has to do with nothing."""
    world.service.institution("MRL")
    return world.service.add("stranger", *(("MRL", role) for role in ROLES))


@pytest.fixture(scope="module")
def reader(world: World) -> Mapping[str, str]:
    """Somebody who sees what the owner sees, and changes nothing."""
    return world.service.add("reader", ("TRP", "reviewer"))


@pytest.fixture(scope="module")
def curator(world: World) -> Mapping[str, str]:
    """Somebody with every role at the owner but that of administrator."""
    return world.service.add("most", *(("TRP", role) for role in ROLES))


def client_of(service: Running, kind: str, *roles: str) -> tuple[str, Mapping[str, str]]:
    """A new client of the owner, signed in."""
    admin = service.token("first")
    body = {"institution": "TRP", "kind": kind, "name": "N", "roles": list(roles)}
    client = service.post("/v1/clients", body, admin)["client"]
    secret = service.post(f"/v1/clients/{client}/secrets", {"label": "one"}, admin)["client_secret"]
    form = {"grant_type": "client_credentials", "client_id": client, "client_secret": secret}
    token = service.client.post("/v1/token", data=form).json()["access_token"]
    return client, {"Authorization": f"Bearer {token}"}


# ------------------------------------------------------------------------- API1:2023 Broken Object Level Authorization
def existing(world: World, asked: Example) -> Example:
    """The request about an object that is there; the session of the examples is one of somebody else."""
    if "session" not in asked.where:
        return asked
    shown = world.service.get("/v1/me/sessions", world.names.head)["sessions"]
    return replace(asked, where={**asked.where, "session": shown[0]["session"]})


def about_nothing(asked: Example) -> Example:
    """The same request about an object that is not there, named as such are."""
    number = codes.display(codes.numbers_after("BRM", 900, 1)[0])
    code = f"{number.replace('-', '')}.1" if "label" in asked.path else "ZZ77"
    ids = dict.fromkeys("id event_id person client secret session block check upload stream".split(), NOBODY)
    unknown = {"number": number, "serial": 1, "code": code, "sha256": "0" * 64, **ids, "upload": "0" * 32}
    return replace(asked, where={name: str(unknown[name]) for name in asked.where})


def anonymised(asked: Example, text: str) -> str:
    """An answer without the names that the request gave."""
    for value in asked.where.values():
        text = text.replace(str(value), "X")
    return text


def test_api1_a_strangers_object_is_as_unknown_as_none(world: World, stranger: Mapping[str, str]) -> None:
    """API1: whatever names an object, a stranger is answered in the same words whether or not it is there."""
    tried, client = set(), world.service.client
    for asked in (one for one in world.guarded() if one.where and one.name not in EVERYBODYS):
        there, nowhere = existing(world, asked), about_nothing(asked)
        hidden, absent = (one.send(client, stranger) for one in (there, nowhere))
        assert hidden.status_code == absent.status_code in {403, 404}, asked.name
        assert anonymised(there, hidden.text) == anonymised(nowhere, absent.text), asked.name
        # For whoever may, there is such an object: without it the comparison would say nothing.
        if asked.method == "get":
            assert world.status(there, world.names.head) == 200, asked.name
        tried.add(asked.name)
    assert len(tried) > 40


def test_api1_no_list_tells_a_stranger_of_anything(world: World, stranger: Mapping[str, str]) -> None:
    """API1: lists, reports and exports hold nothing that is somebody else's, and do for whoever may see it."""
    theirs = re.compile(r"BRM|V-?0*1|J-0001|P-01|L-08|T-01|TRP-GB1|BRAITHMOSS|B2\b|" + "|".join(ids_of(world)))
    told = 0
    for asked in world.guarded():
        if asked.method != "get" or asked.where or asked.name in EVERYBODYS:
            continue
        answer = asked.send(world.service.client, stranger)
        assert answer.status_code in {200, 403, 404}, asked.name
        # A report says again what was asked for.
        said = answer.text
        for value in asked.query.values():
            for one in value if isinstance(value, list) else [value]:
                said = said.replace(str(one), "X")
        assert not theirs.search(said), (asked.name, said)
        told += bool(theirs.search(asked.send(world.service.client, world.names.head).text))
    assert told >= 12


def ids_of(world: World) -> list[str]:
    """Ids of people, facts and clients of the collection."""
    names = world.names
    return [world.service.people["every"], names.person, names.block, names.weighing, names.client]


# -------------------------------------------------------------------------------------- API2:2023 Broken Authentication
def test_api2_what_is_open_is_named(world: World) -> None:
    """API2: the operations that the description lets anybody ask are those of the list, each for a reason."""
    assert {one["operationId"] for _, _, one in operations(world.described) if "security" not in one} == OPEN.keys()


def bad_heads(world: World) -> dict[str, Mapping[str, str]]:
    """Headers that look like a sign-in and are none any more."""
    service, ring, now = world.service, world.service.service.keys(), world.service.clock()
    admin = service.token("first")
    sid = ring.verify(admin["Authorization"].removeprefix("Bearer "), now).sid
    first = service.people["first"]
    old = ring.issue(sub=first, client_id="web", sid=sid, now=now - timedelta(hours=1))
    ended = service.token("first")
    service.client.post("/oauth/revoke", data={"token": ended["Authorization"].removeprefix("Bearer ")})
    closed = service.add("closed", ("TRP", "administrator"))
    service.post(f"/v1/people/{service.people['closed']}/close", {}, admin, 200)
    client, of_client = client_of(service, "service", "curator")
    service.post(f"/v1/clients/{client}/end", {}, admin, 200)
    return {
        "none": {},
        "empty": {"Authorization": "Bearer "},
        "another scheme": {"Authorization": admin["Authorization"].replace("Bearer", "Token")},
        "a password": {"Authorization": "Basic Zmlyc3Q6" + PASSWORD},
        "no token": {"Authorization": "Bearer a.b.c"},
        "expired": {"Authorization": f"Bearer {old}"},
        "of a session that ended": ended,
        "of a closed account": closed,
        "of an ended client": of_client,
    }


def test_api2_nothing_works_without_a_good_token(world: World) -> None:
    """API2: each operation but the open ones answers 401 to every bad sign-in, and to a token in the address."""
    heads = bad_heads(world)
    for asked in world.guarded():
        for kind, head in heads.items():
            assert world.status(asked, head) == 401, (asked.name, kind)
        token = world.names.head["Authorization"].removeprefix("Bearer ")
        in_address = replace(asked, query={**asked.query, "access_token": token})
        assert world.status(in_address, {}) == 401, asked.name


def test_api2_what_is_open_asks_for_no_token(world: World) -> None:
    """API2: and the open ones do not answer otherwise for lack of one, so that the list is true both ways."""
    for asked in (one for one in world.examples if one.name in OPEN):
        assert world.status(asked, {}) in {200, 404}, asked.name


# --------------------------------------------------------------- API3:2023 Broken Object Property Level Authorization
def objects(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The place of every object in a body."""
    if isinstance(value, dict):
        yield path
    members = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, inner in members:
        yield from objects(inner, (*path, name))


def with_member(body: Json, path: tuple[Any, ...], name: str) -> Json:
    """A body with one member more in the object at that place."""
    changed = inner = copy.deepcopy(body)
    for step in path:
        inner = inner[step]
    inner[name] = None
    return changed


def test_api3_members_that_are_not_described_are_refused(world: World) -> None:
    """API3 (mass assignment): in each object of each body, even for an administrator, a member more is refused."""
    tried = 0
    for asked in (one for one in world.guarded() if "json" in one.body):
        assert asked.body["json"], f"{asked.name} has no example to try"
        for path in objects(asked.body["json"]):
            said = replace(asked, body={"json": with_member(asked.body["json"], path, "is_admin")})
            answer = said.send(world.service.client, world.names.head)
            assert answer.status_code == 422, (asked.name, path, answer.text)
            assert "is_admin" in answer.text, (asked.name, path)
            tried += 1
    assert tried > 30


def members_of(world: World, part: Any) -> set[str]:
    """The names of the members of a described thing, one level deep, through its references and alternatives."""
    if not isinstance(part, dict):
        return set()
    if "$ref" in part:
        return members_of(world, world.described["components"]["schemas"][part["$ref"].rpartition("/")[2]])
    inner = [shape for word in ("anyOf", "oneOf", "allOf") for shape in part.get(word, [])]
    return set(part.get("properties", {})).union(*(members_of(world, shape) for shape in inner))


def test_api3_what_the_service_sets_cannot_be_sent(world: World) -> None:
    """API3 (mass assignment): no member of an answer that is not one of the request, such as actor, can be sent."""
    tried = set()
    for asked in (one for one in world.guarded() if "json" in one.body):
        described = world.description(asked)
        sent = members_of(world, described["requestBody"]["content"]["application/json"]["schema"])
        answers = [body for status, body in described["responses"].items() if status.startswith("2")]
        shapes = [content["schema"] for body in answers for content in body.get("content", {}).values()]
        for name in set().union(*(members_of(world, shape) for shape in shapes)) - sent:
            said = replace(asked, body={"json": {**asked.body["json"], name: asked.body["json"].get(name)}})
            answer = said.send(world.service.client, world.names.head)
            assert (answer.status_code, name in answer.text) == (422, True), (asked.name, name)
            tried.add(name)
    assert tried >= {"recorded_at", "actor", "person", "version"}


def test_api3_no_answer_is_described_with_a_secret(world: World) -> None:
    """API3 (excessive data exposure): members with a name like that of a secret are those of the list."""
    shapes, reached = world.described["components"]["schemas"], set[str]()
    waiting = [response for _, _, one in operations(world.described) for response in one["responses"].values()]
    while waiting:
        text = json.dumps(waiting.pop())
        for name in set(re.findall(r"#/components/schemas/([\w-]+)", text)) - reached:
            reached.add(name)
            waiting.append(shapes[name])
    found = {f"{name}.{member}" for name in reached for member in shapes[name].get("properties", {})}

    assert len(found) > 200
    assert {one for one in found if SECRETIVE.search(one.partition(".")[2])} == TOLD.keys()


#: Table and column of all that is kept of a secret.
KEPT = {
    "account": "password_hash",
    "signing_key": "private_pem",
    "secret": "value",
    "refresh_token": "digest",
    "client_secret": "digest",
    "invitation": "digest",
}


def test_api3_no_answer_holds_what_is_kept_of_a_secret(sqlite_database_url: str) -> None:
    """API3 (excessive data exposure): in the answers to all examples there is no hash, no digest and no private key."""
    with furnished(sqlite_database_url) as world:
        order = sorted(world.examples, key=lambda one: one.method != "get")
        answers = {one.name: one.send(world.service.client, world.names.head).text for one in order}
        kept = set()
        with world.service.service.database.engine.connect() as connection:
            for table, column in KEPT.items():
                found = connection.execute(sa.text(f"SELECT {column} FROM {table}")).scalars()
                kept |= {value for value in found if value}
    assert len(kept) >= 6
    assert [name for name, text in answers.items() if any(json.dumps(value)[1:-1] in text for value in kept)] == []


# ------------------------------------------------------------------- API5:2023 Broken Function Level Authorization
def test_api5_readers_change_nothing(world: World, reader: Mapping[str, str]) -> None:
    """API5: whoever only reads is refused each operation that changes something but those on what is their own."""
    tried = set()
    for asked in (one for one in world.guarded() if one.method != "get" and one.name not in OWN | DRY_RUNS):
        answer = asked.send(world.service.client, reader)
        assert answer.status_code in {403, 404}, (asked.name, answer.text)
        assert world.status(asked, {}) == 401, asked.name
        tried.add(asked.name)
    assert len(tried) > 30


def test_api5_administration_is_for_administrators(world: World, curator: Mapping[str, str]) -> None:
    """API5: people and clients are added, changed and ended by administrators, whatever other roles somebody has; only
    who left is told by curators too. Nor do others add an institution, or say that theirs took over from another."""
    tried = set()
    for asked in (one for one in world.guarded() if ADMINISTRATION.match(one.path)):
        if asked.name == "tell_leaving" or (asked.method == "get" and "client" not in asked.path):
            continue
        answer = asked.send(world.service.client, curator)
        assert answer.status_code in {403, 404}, (asked.name, answer.text)
        tried.add(asked.name)
    found = {"code": "NEW", "name": "N", "kind": "other", "zone": "UTC", "because": "New"}
    world.service.post("/v1/institutions", found, curator, 403)
    taken = {"successor": "TRP", "because": "Taken over"}
    world.service.post("/v1/institutions/TSI/successor", taken, curator, 403)
    assert tried >= {"add_person", "change_role", "reset_password", "add_client", "list_clients", "add_client_secret"}


def test_api5_devices_only_tell(world: World) -> None:
    """API5: a logger whose secret was stolen changes nothing: it is refused each operation but telling what it saw.

    A camera keeps the picture that its fact names."""
    _, device = client_of(world.service, "device")
    for asked in (
        one
        for one in world.guarded()
        if one.method != "get" and one.name not in OWN | READINGS | DRY_RUNS | {"keep_file"}
    ):
        answer = asked.send(world.service.client, device)
        assert answer.status_code in {403, 404}, (asked.name, answer.text)
