"""The description against the behaviour: schemathesis, which is none of ours, asks every operation for what the
description promises, and for what it rules out.

Inputs are the same in every run. Each share of the operations begins with the same database.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from fastapi import FastAPI
from schemathesis.checks import load_all_checks
from schemathesis.config import SchemathesisConfig
from schemathesis.pytest.lazy import get_all_tests
from schemathesis.schemas import BaseSchema
from starlette.testclient import TestClient

from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.web.errors import OURS
from tests.databases import copied, sqlite_url
from tests.web.furnished import Names, furnish
from tests.web.service import Clock, running

Json = dict[str, Any]
METHODS = ("get", "put", "post", "delete", "patch")
TAGS = (
    *("documents", "facts", "identity", "items", "labels"),
    *("loans", "numbers", "operation", "reports", "shipments"),
)
#: Drawn at random (from one seed) for each operation, beside the cases that cover the description systematically.
DRAWN = 8
#: There are 34 kinds of fact, and some 7 000 systematic cases over them: half a minute of them is drawn instead.
FACTS_DRAWN = 150
#: A version that moved or was not named, and rules that a JSON schema cannot state: answers to sound requests, too.
REFUSED_ALSO = ["412", "422", "424", "428"]


@dataclass(frozen=True)
class Furnished:
    """A closed database with the things of the examples in it, and the moment at which it was left."""

    file: Path
    clock: Clock
    names: Names


@dataclass(frozen=True)
class Served:
    """The real application on a copy of it."""

    app: FastAPI
    names: Names


@pytest.fixture(scope="module")
def furnished(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Furnished:
    """Set up once for each worker, then copied."""
    file = tmp_path_factory.mktemp("furnished") / "shipsvc.sqlite3"
    with running(copied(sqlite_template, file)) as service:
        return Furnished(file, service.clock, furnish(service))


@pytest.fixture
def served(furnished: Furnished, tmp_path: Path) -> Iterator[Served]:
    """The real application on a database of its own, its clock standing still."""
    url = copied(furnished.file, tmp_path / "shipsvc.sqlite3")
    app = create_app(Settings(database_url=url), Clock(furnished.clock.at))
    yield Served(app, furnished.names)
    app.state.service.database.engine.dispose()


@pytest.fixture(scope="module")
def described() -> Json:
    """The description of the whole service; no database is asked for it."""
    return create_app(Settings(database_url=sqlite_url(Path("never-opened.sqlite3")))).openapi()


def operations(described: Json) -> Iterator[tuple[str, str, Json]]:
    """Method, path and description of every operation."""
    for path, methods in described["paths"].items():
        yield from ((method, path, methods[method]) for method in METHODS if method in methods)


# ------------------------------------------------------------------------------------------------------ schemathesis
def share_of(name: str, app: FastAPI) -> BaseSchema:
    """A share of the operations: those of a tag; telling facts stands apart."""
    config = SchemathesisConfig(seed=1)
    schema = schemathesis.openapi.from_asgi("/openapi.json", app, config=config)
    checks = schema.config.checks
    for check in (checks.positive_data_acceptance, checks.negative_data_rejection, checks.missing_required_header):
        check.expected_statuses = [*check.expected_statuses, *REFUSED_ALSO]
    is_tell = name == "tell"
    schema.config.phases.coverage.enabled = not is_tell
    drawn = FACTS_DRAWN if is_tell else DRAWN
    schema.config.generation.update(max_examples=drawn, deterministic=True, database="none", no_shrink=True)
    return schema.include(operation_id="tell") if is_tell else schema.include(tag=name).exclude(operation_id="tell")


@pytest.mark.parametrize("name", [*TAGS, "tell"])
def test_every_operation_behaves_as_it_is_described(name: str, served: Served, subtests: pytest.Subtests) -> None:
    """No server error, no status, header, media type or shape that is not described; what is malformed is refused."""
    load_all_checks()

    def ask(case: schemathesis.Case) -> None:
        with_real_ids(case, served.names)
        case.call_and_validate(headers=dict(served.names.head), additional_checks=[refused_by_a_rule_of_ours])

    asked = 0
    # What schemathesis.pytest.from_fixture does; itself it does not run under this pytest (4.32.5, 9.2.0).
    for built in get_all_tests(schema=share_of(name, served.app), test_func=ask, settings=None, given_kwargs={}):
        operation, test = built.ok()
        with subtests.test(operation=operation.label):
            test()
        asked += 1
    assert asked


def with_real_ids(case: schemathesis.Case, names: Names) -> None:
    """Give a sound request the ids of things that are there in place of those of the examples."""
    if case.meta is not None and case.meta.generation.mode.is_positive:
        operation = case.operation.definition.raw["operationId"]
        case.path_parameters = names.real(operation, case.path_parameters)
        if isinstance(case.body, dict | list):
            case.body = names.real(operation, case.body)


def refused_by_a_rule_of_ours(_context: Any, response: Any, case: schemathesis.Case) -> None:
    """What keeps to the schema is malformed only by a rule that no schema can state, and then has a code of ours."""
    if response.status_code == 422 and case.meta is not None and case.meta.generation.mode.is_positive:
        problem = response.json()
        codes = {fault["code"] for fault in problem["errors"]} or {problem["code"]}
        assert codes <= OURS, problem


# ---------------------------------------------------------------------------------------------------------- examples
def example(described: Json, part: Json) -> Any:
    """The first example of a parameter or a body, its own or that of its schema; None where there is none."""
    if "examples" in part:
        return next(iter(part["examples"].values()))["value"]
    if "example" in part:
        return part["example"]
    schema = part["schema"]
    name = schema.get("$ref", "").rpartition("/")[2]
    found = described["components"]["schemas"].get(name, schema)
    if "examples" not in found and part.get("in") is None and "properties" in found:
        return {member: inner["examples"][0] for member, inner in found["properties"].items() if "examples" in inner}
    return next(iter(found.get("examples", [])), None)


def parameters(described: Json, operation: Json, where: str) -> dict[str, Any]:
    """The examples of the parameters in that place."""
    own = [part for part in operation.get("parameters", []) if part["in"] == where]
    found = {part["name"]: example(described, part) for part in own}
    return {name: value for name, value in found.items() if value is not None}


def send(client: TestClient, described: Json, names: Names, method: str, path: str, operation: Json) -> httpx.Response:
    """The request that the examples of an operation make."""
    name = operation["operationId"]
    where = {place: names.real(name, parameters(described, operation, place)) for place in ("path", "query", "header")}
    body: Json = {}
    for media, content in operation.get("requestBody", {"content": {}})["content"].items():
        said = names.real(name, example(described, content))
        body = {"json": said} if media == "application/json" else {"data": said}
    address = path.format(**where["path"])
    headers = {**names.head, **where["header"]}
    return client.request(method, address, params=where["query"], headers=headers, **body)
