"""The requests that the examples of the API description make: one for each operation, with ids that are there."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import httpx2
from starlette.testclient import TestClient

from tests.web.furnished import Names

Json = dict[str, Any]
#: Bodies that are sent as they are.
PLAIN = ("text/csv", "application/sensml+json")
METHODS = ("get", "put", "post", "delete", "patch")


def operations(described: Json) -> Iterator[tuple[str, str, Json]]:
    """Method, path and description of every operation."""
    for path, methods in described["paths"].items():
        yield from ((method, path, methods[method]) for method in METHODS if method in methods)


def example(described: Json, part: Json) -> Any:
    """The first example of a parameter or a body, its own or that of its schema; None where there is none."""
    if "examples" in part:
        return next(iter(part["examples"].values()))["value"]
    if "example" in part:
        return part["example"]
    schema = part["schema"]
    name = schema.get("$ref", "").rpartition("/")[2]
    found = described["components"]["schemas"].get(name, schema)
    if name.startswith("Body_"):  # the framework's model of a form, which only its fields give examples for
        return {member: inner["examples"][0] for member, inner in found["properties"].items() if "examples" in inner}
    return next(iter(found.get("examples", [])), None)


def parameters(described: Json, operation: Json, where: str) -> dict[str, Any]:
    """The examples of the parameters in that place."""
    own = [part for part in operation.get("parameters", []) if part["in"] == where]
    found = {part["name"]: example(described, part) for part in own}
    return {name: value for name, value in found.items() if value is not None}


@dataclass(frozen=True)
class Example:
    """A request that the examples of an operation make, about now and following the first version."""

    name: str
    method: str
    path: str
    where: Mapping[str, str]
    query: Mapping[str, Any]
    #: "json", "data", "files" or "content" (with its header), and what is sent; empty for a request without a body
    body: Mapping[str, Any]

    def send(self, client: TestClient, head: Mapping[str, str]) -> httpx2.Response:
        """The answer to it, for whoever the header says."""
        headers = {**head, "If-Match": '"v1"', **self.body.get("headers", {})}
        body = {name: said for name, said in self.body.items() if name != "headers"}
        return client.request(self.method, self.path.format(**self.where), params=self.query, headers=headers, **body)


def example_of(described: Json, names: Names, method: str, path: str, operation: Json) -> Example:
    """The request that an operation is shown by, with ids that are there."""
    name = operation["operationId"]
    where = {place: names.real(name, parameters(described, operation, place)) for place in ("path", "query")}
    body: Json = {}
    for media, content in operation.get("requestBody", {"content": {}})["content"].items():
        said = names.real(name, example(described, content))
        body = {"json": said} if media == "application/json" else {"data": said}
        if media in PLAIN:
            body = {"content": said, "headers": {"Content-Type": media}}
        if media == "multipart/form-data":
            body = {"files": {"file": ("note.txt", said.pop("file"))}, "data": said}
    query = {name: value for name, value in where["query"].items() if name not in {"as_of", "known_on"}}
    return Example(name, method, path, where["path"], query, body)
