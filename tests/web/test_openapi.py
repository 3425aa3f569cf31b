"""The API description against what it promises, with an independent JSON Schema validator (jsonschema-rs)."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from jsonschema_rs import Draft202012Validator

from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.web import api_documents, api_identity, api_institutions, api_operation, openapi
from shipsvc.web.errors import MEDIA_TYPE

Json = dict[str, Any]
METHODS = ("get", "put", "post", "delete", "patch")


@pytest.fixture(scope="module")
def described() -> Json:
    """The description of the whole service; no database is asked for it."""
    return create_app(Settings(database_url="sqlite:///never-opened.sqlite3")).openapi()


@pytest.fixture(scope="module")
def ours() -> Json:
    """The description of sign-in, people, documents and operation alone."""
    app = FastAPI(title="part", version="0")
    for router in (api_identity.router, api_institutions.router, api_documents.router, api_operation.router):
        app.include_router(router)
    openapi.install(app)
    return app.openapi()


def operations(schema: Json) -> Iterator[tuple[str, Json]]:
    """Every operation with its id."""
    for path in schema["paths"].values():
        yield from ((path[method]["operationId"], path[method]) for method in METHODS if method in path)


def refs(value: Any) -> Iterator[str]:
    """Every $ref in a document."""
    if isinstance(value, dict):
        yield from ([value["$ref"]] if isinstance(value.get("$ref"), str) else [])
        for inner in value.values():
            yield from refs(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from refs(inner)


def test_problems_have_their_media_type(described: Json) -> None:
    """RFC 9457 section 3: every 4xx and 5xx answer is application/problem+json, and nothing else."""
    answers = [(name, s, a) for name, o in operations(described) for s, a in o["responses"].items() if int(s) >= 400]

    assert len(answers) > 50
    assert [(name, s) for name, s, answer in answers if list(answer["content"]) != [MEDIA_TYPE]] == []


def test_nothing_of_the_frameworks_own_errors_is_left(described: Json) -> None:
    """Its 422 body is not what we answer; and every reference leads somewhere."""
    text = str(described)

    assert "HTTPValidationError" not in text
    assert {ref.rpartition("/")[2] for ref in refs(described)} <= described["components"]["schemas"].keys()


def test_what_needs_a_sign_in_says_what_may_happen(described: Json) -> None:
    """401, 403 and 503 on each, and 413 wherever there is a body; each answer names the request."""
    for name, operation in operations(described):
        needed = {"401", "403", "503"} if "security" in operation else set()
        needed |= {"400", "413"} if "requestBody" in operation else set()
        assert needed <= operation["responses"].keys(), name
        for answer in operation["responses"].values():
            assert "X-Request-Id" in answer["headers"], name


def test_operations_have_names_of_their_own(ours: Json) -> None:
    """OpenAPI 3.1 section 4.8.10: operationId is unique; ours are words, not what the framework makes of a path."""
    names = [name for name, _ in operations(ours)]

    assert len(names) == len(set(names)) == 47
    assert [name for name in names if not name.isidentifier() or "_v1_" in name] == []


def test_every_answer_and_request_has_an_example_that_fits(ours: Json) -> None:
    """Examples are true to their schemas, formats included."""
    tried = []
    for name, operation in operations(ours):
        bodies = [operation["requestBody"]] if "requestBody" in operation else []
        for part in [*bodies, *operation["responses"].values()]:
            for media, content in part.get("content", {}).items():
                if media == "application/x-www-form-urlencoded":
                    continue
                examples = [content["example"]] if "example" in content else _of_schema(ours, content["schema"])
                assert examples, (name, media)
                for example in examples:
                    validator(ours, content["schema"]).validate(example)
                    tried.append(example)
    assert len(tried) > 100


def _of_schema(schema: Json, part: Json) -> list[Any]:
    name = part.get("$ref", "").rpartition("/")[2]
    found: list[Any] = schema["components"]["schemas"].get(name, part).get("examples", [])
    return found


def validator(schema: Json, part: Json) -> Draft202012Validator:
    """A validator of one part of the description, with the whole of it to refer to."""
    whole = {**part, "components": schema["components"]}
    return Draft202012Validator(whole, validate_formats=True)


def test_every_member_is_explained(ours: Json) -> None:
    """Each member of each body has a description and an example, its own or that of the thing it refers to."""
    for name, schema in ours["components"]["schemas"].items():
        if name in {"Problem", "Fault", "TokenProblem"} or name.startswith("Body_"):
            continue
        for member, part in schema["properties"].items():
            inner = part if "$ref" in str(part) else None
            assert "description" in part or inner, (name, member)
            assert "examples" in part or inner, (name, member)


def test_the_description_is_made_once() -> None:
    """Asked twice it is the same object; a route that joins a router with a bare 422 gets our problem."""
    app = FastAPI(title="t", version="0")
    router = APIRouter()

    @router.get("/x")
    def show(limit: int) -> int:
        return limit

    app.include_router(router)
    openapi.install(app)

    assert app.openapi() is app.openapi()
    answer = app.openapi()["paths"]["/x"]["get"]["responses"]["422"]
    assert answer["content"][MEDIA_TYPE]["schema"] == {"$ref": "#/components/schemas/Problem"}
