"""What tests of documents over HTTP share: ids, and the checks that a description is true and complete."""

import itertools
import uuid
from collections.abc import Iterator
from typing import Any

from jsonschema_rs import Draft202012Validator

Json = dict[str, Any]
METHODS = ("get", "put", "post")
_SERIAL = itertools.count(1)


def new_id() -> str:
    """An id for a fact, like no other of this run."""
    return str(uuid.UUID(int=next(_SERIAL)))


def every_example_fits(described: Json) -> int:
    """Assert that requests and answers have examples that fit their schemas; how many were tried."""
    tried = 0
    for name, schema in _bodies(described):
        examples = _of(described, schema)
        assert examples, name
        whole = {**schema, "components": described["components"]}
        for example in examples:
            Draft202012Validator(whole, validate_formats=True).validate(example)
            tried += 1
    return tried


def every_member_is_explained(described: Json) -> int:
    """Assert that members have a description and an example, or refer to what has; how many there are."""
    count = 0
    for name, schema in described["components"]["schemas"].items():
        if name in {"Problem", "Fault"}:
            continue
        for member, part in schema["properties"].items():
            count += 1
            assert "$ref" in str(part) or {"description", "examples"} <= part.keys(), (name, member)
    return count


def _bodies(described: Json) -> Iterator[tuple[str, Json]]:
    for path in described["paths"].values():
        for operation in (path[method] for method in METHODS if method in path):
            parts = [operation["requestBody"]] if "requestBody" in operation else []
            parts += [answer for status, answer in operation["responses"].items() if int(status) < 400]
            for part in parts:
                yield from ((operation["operationId"], content["schema"]) for content in part["content"].values())


def _of(described: Json, schema: Json) -> list[Any]:
    name = schema.get("$ref", "").rpartition("/")[2]
    found: list[Any] = described["components"]["schemas"].get(name, schema).get("examples", [])
    return found
