"""The description against the behaviour: schemathesis, which is none of ours, asks every operation for what the
description promises, and for what it rules out.

Inputs are the same in every run. Each share of the operations begins with the same database.
"""

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from jsonschema_rs import Draft202012Validator
from schemathesis.checks import load_all_checks
from schemathesis.config import SchemathesisConfig
from schemathesis.core.result import Ok
from schemathesis.pytest.lazy import get_all_tests
from schemathesis.schemas import BaseSchema
from starlette.testclient import TestClient

from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.web.errors import OURS
from tests.databases import copied, sqlite_url
from tests.web.examples import example, example_of, operations
from tests.web.furnished import Names, furnish
from tests.web.service import Clock, running

Json = dict[str, Any]
TAGS = (
    *("cases", "documents", "exports", "facts", "files", "identity", "items", "labels"),
    *("loans", "numbers", "operation", "readings", "reports", "requests", "shipments"),
)
#: Drawn at random (from one seed) for each operation, beside the cases that cover the description systematically.
DRAWN = 5
#: There are 34 kinds of fact, and 7 000 systematic cases over them: a minute's work, which the examples of each kind
#: and some drawn cases stand for here.
FACTS_DRAWN = 40
#: A version that moved or was not named, a file of no kind that is kept, and rules that a JSON schema cannot state:
#: answers to sound requests, too.
REFUSED_ALSO = ["412", "415", "422", "424", "428"]


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
def served(furnished: Furnished, described: Json, tmp_path: Path) -> Iterator[Served]:
    """The real application on a database of its own, its clock standing still."""
    url = copied(furnished.file, tmp_path / "shipsvc.sqlite3")
    shutil.copytree(furnished.file.with_name("shipsvc-files"), tmp_path / "shipsvc-files")
    app = create_app(Settings(database_url=url), Clock(furnished.clock.at))
    app.openapi_schema = described
    yield Served(app, furnished.names)
    app.state.service.database.engine.dispose()


@pytest.fixture(scope="module")
def described() -> Json:
    """The description of the whole service; no database is asked for it."""
    return create_app(Settings(database_url=sqlite_url(Path("never-opened.sqlite3")))).openapi()


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

    def ask(case: Any) -> None:
        with_real_ids(case, served.names)
        case.call_and_validate(headers=dict(served.names.head), additional_checks=[refused_by_a_rule_of_ours])

    asked = 0
    # What schemathesis.pytest.from_fixture does; itself it does not run under this pytest (4.32.5, 9.2.0).
    for built in get_all_tests(schema=share_of(name, served.app), test_func=ask, settings=None, given_kwargs={}):
        assert isinstance(built, Ok), built
        operation, test = built.ok()
        with subtests.test(operation=operation.label):
            test()
        asked += 1
    assert asked


def with_real_ids(case: Any, names: Names) -> None:
    """Give a sound request the ids of things that are there in place of those of the examples."""
    if case.meta is not None and case.meta.generation.mode.is_positive:
        operation = case.operation.definition.raw["operationId"]
        case.path_parameters = names.real(operation, case.path_parameters)
        if isinstance(case.body, dict | list):
            case.body = names.real(operation, case.body)
        # One key for many requests would only show that a key is good for one of them.
        for name in [name for name in case.headers or () if name.lower() == "idempotency-key"]:
            del case.headers[name]


def refused_by_a_rule_of_ours(_context: Any, response: Any, case: Any) -> None:
    """What keeps to the schema is malformed only by a rule that no schema can state, and then has a code of ours."""
    if response.status_code == 422 and case.meta is not None and case.meta.generation.mode.is_positive:
        problem = response.json()
        codes = {fault["code"] for fault in problem["errors"]} or {problem["code"]}
        assert codes <= OURS, problem


# ---------------------------------------------------------------------------------------------------------- examples
#: What these would make is there: ``furnish`` made the things that the examples name. And what is owed is not closed.
REFUSED = {
    **dict.fromkeys(("add_institution", "add_collection", "add_place", "add_profile", "add_balance"), 409),
    "add_person": 409,
    "add_allowance": 409,
    **dict.fromkeys(("claim_prefix", "sign_loan", "add_shipment"), 409),
    "close_loan": 409,
    # It was weighed from the beginning.
    "rebase": 409,
    # Sessions have ids of their own.
    "end_own_session": 404,
    "invite": 409,
    "accept_invitation": 404,
    "change_own_password": 401,
}


def test_every_example_is_taken(described: Json, served: Served) -> None:
    """An example that a reader copies works as it stands, or is refused in a way that is described."""
    answered = {}
    with TestClient(served.app) as client:
        # What is asked comes first, since the rest changes it.
        for method, path, operation in sorted(operations(described), key=lambda one: one[0] != "get"):
            answer = example_of(described, served.names, method, path, operation).send(client, served.names.head)
            assert str(answer.status_code) in operation["responses"], operation["operationId"]
            answered[operation["operationId"]] = answer.status_code
    assert {name: status for name, status in answered.items() if status >= 300} == REFUSED


# ------------------------------------------------------------------------------------------------------ completeness
def test_every_operation_is_described_for_people(described: Json) -> None:
    """Each has a name, a summary, a sentence of what it does, one of the tags; every parameter has its meaning."""
    for method, path, operation in operations(described):
        where = f"{method} {path}"
        assert operation["operationId"].isidentifier(), where
        assert 4 <= len(operation["summary"]) <= 70, where
        assert operation["description"].strip().endswith((".", "`")), where
        assert operation["tags"] in [[tag] for tag in TAGS], where
        for part in operation.get("parameters", []):
            assert part.get("description") or part["schema"].get("description"), (where, part["name"])
            assert not part.get("required") or example(described, part) is not None, (where, part["name"])


def test_every_body_has_an_example_that_fits(described: Json) -> None:
    """Of what goes in and of what comes out, refusals included; jsonschema-rs finds each of them valid."""
    tried = set()
    for method, path, operation in operations(described):
        bodies = [*operation["responses"].values(), *([operation["requestBody"]] if "requestBody" in operation else [])]
        for media, content in (both for body in bodies for both in body.get("content", {}).items()):
            if media.startswith("image/") or media == "application/pdf":  # a drawing is not shown as text
                continue
            shown = example(described, content)
            assert shown is not None, (method, path, media)
            pair = json.dumps([content["schema"], shown])
            if pair not in tried:
                whole = {**content["schema"], "components": described["components"]}
                Draft202012Validator(whole, validate_formats=True).validate(shown)
            tried.add(pair)
    assert len(tried) > 90


def test_every_operation_says_how_it_refuses(described: Json) -> None:
    """A documented 4xx for each that takes anything or wants a sign-in; the others cannot be asked wrongly."""
    refusing = {}
    for _, _, operation in operations(described):
        takes = operation.get("parameters") or "requestBody" in operation or "security" in operation
        refusing[operation["operationId"]] = any(status[0] == "4" for status in operation["responses"])
        assert refusing[operation["operationId"]] or not takes, operation["operationId"]
    assert {name for name, refuses in refusing.items() if not refuses} == {"is_alive", "is_ready", "metrics", "key_set"}


def test_names_are_used_once(described: Json) -> None:
    """OpenAPI 3.1 section 4.8.10: an operationId is unique in the whole description; each operation has one."""
    names = [operation["operationId"] for _, _, operation in operations(described)]
    assert len(names) == len(set(names)) > 60
