"""The API description: what FastAPI makes of the endpoints, mended where it would not be true."""

from collections.abc import Iterator
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from shipsvc.domain import errors
from shipsvc.web.errors import MEDIA_TYPE, Problem, answer_headers, problem_of
from shipsvc.web.logs import REQUEST_ID_HEADER

DESCRIPTION: Final = """
Custody, time out of controlled storage, mass and loans of scarce physical samples.

* **Facts are told, never changed.** What happened goes through one door and is never overwritten; what contradicts the
  record is accepted and flagged.
* **Two clocks.** `as_of` asks what held at a moment, `known_on` what had been recorded by a moment.
* **Retries are harmless.** Facts carry an id of the client's making; other POSTs take an `Idempotency-Key`.
* **A 2xx answer means committed.**
* Times are RFC 3339 with an offset; masses are decimal strings with the unit in the name; problems are RFC 9457 with
  a stable `code`; lists go on through `Link: <...>; rel="next"`.

Sign in at `POST /v1/token` and send `Authorization: Bearer ...`.
"""

Json = dict[str, Any]
METHODS: Final = frozenset({"get", "put", "post", "delete", "patch"})
NULL: Final = {"type": "null"}
PROBLEM_REF: Final = {"$ref": "#/components/schemas/Problem"}
_FRAMEWORKS_OWN: Final = ("HTTPValidationError", "ValidationError")

#: One of each, for the examples: what a reader will really see.
SAMPLES: Final[dict[int, errors.ShipsvcError]] = {
    401: errors.BadToken(why="it has expired"),
    403: errors.NotYourRole(needed="curator or registrar", institution="TRP"),
    404: errors.NotFound(what="place", name="TRP-GB9"),
    409: errors.AlreadyThere(what="place", name="TRP-GB1", pointer="/code"),
    412: errors.VersionMoved(what="Place", name="TRP-GB1", newest=3),
    413: errors.TooMuch(what="The body of the request", limit="4000000 bytes"),
    415: errors.WrongType(why="it is markup such as HTML or SVG."),
    422: errors.Malformed(why="/zone: Atlantis is not a time zone.", pointer="/zone"),
    428: errors.VersionNotNamed(),
    429: errors.TooManyTries(wait_s=30),
    503: errors.Away(what="The database"),
}
UNREADABLE: Final = Problem(
    title="There was an error parsing the body",
    status=400,
    code="http_error",
    detail="There was an error parsing the body: see the API description at /docs.",
)
MEANINGS: Final[dict[int, str]] = {
    400: "The body cannot be read at all",
    401: "Who is speaking is not known",
    403: "Known, but this is not theirs to do",
    404: "Unknown, or not yours to see: the two look alike",
    409: "A second word against a first one, or a rule that forbids it",
    412: "There is a newer version than the one you read",
    413: "More than the service takes in one piece",
    415: "A file of a kind that is not kept, or no form",
    422: "Malformed; or an Idempotency-Key that came with another request before",
    428: "If-Match is missing",
    429: "Too many tries have failed: `Retry-After` says how long to wait",
    503: "Something the service needs does not answer; nothing was stored",
}


def problems(*statuses: int) -> dict[int | str, Json]:
    """``responses=`` for an operation that may answer with problems of these statuses."""
    return {status: {"description": MEANINGS[status], "model": Problem} for status in statuses}


def header(description: str, example: str) -> Json:
    """A response header that holds a text."""
    return {"description": description, "schema": {"type": "string"}, "example": example}


#: For ``responses=``: headers that several operations answer with.
ETAG: Final = {"ETag": header("The version, for If-Match", '"v3"')}
LINK: Final = {"Link": header("The next page (RFC 8288)", '</v1/places?limit=50&cursor=WyJ...>; rel="next"')}
REPLAYED_HEADER: Final = {
    "Idempotency-Replayed": header("`true` where this is the first answer to the same request, again", "true")
}
CREATED: Final = {
    "Location": header("Where the document is", "/v1/places/TRP-GB1"),
    **REPLAYED_HEADER,
    **ETAG,
}


def install(app: FastAPI) -> None:
    """Let the application describe itself truly. The description is made once, at the first question."""

    def _described() -> Json:
        if app.openapi_schema is None:
            app.openapi_schema = mended(
                get_openapi(
                    title=app.title,
                    version=app.version,
                    description=app.description,
                    routes=app.routes,
                    openapi_version=app.openapi_version,
                )
            )
        return app.openapi_schema

    app.openapi = _described  # type: ignore[method-assign]  # the way FastAPI documents


def mended(schema: Json) -> Json:
    """The description with our problems in place of the framework's, and the answers that middlewares give."""
    for operation in _operations(schema):
        _mend(operation)
    schemas = schema.setdefault("components", {}).setdefault("schemas", {})
    for name in _FRAMEWORKS_OWN:
        schemas.pop(name, None)
    schemas.update(_problem_schemas())
    for described in schemas.values():
        if "examples" in described:
            described["examples"] = [_whole(said, described, schemas) for said in described["examples"]]
    return schema


def _whole(said: Any, described: Json, schemas: Json) -> Any:
    """An example with the nulls that it was given: the framework leaves them out wherever it finds them."""
    name = described.get("$ref", "").rpartition("/")[2]
    if name:
        return _whole(said, schemas[name], schemas)
    if isinstance(said, list) and "items" in described:
        return [_whole(one, described["items"], schemas) for one in said]
    shapes = [shape for shape in described.get("anyOf", []) if shape != NULL]
    if len(shapes) == 1:
        return _whole(said, shapes[0], schemas)
    members = described.get("properties", {})
    if not isinstance(said, dict) or not members:
        return said
    found = {key: _whole(value, members.get(key, {}), schemas) for key, value in said.items()}
    missing = [key for key in described.get("required", []) if key not in said and NULL in _shapes(members[key])]
    return found | dict.fromkeys(missing)


def _shapes(described: Json) -> list[Json]:
    found: list[Json] = described.get("anyOf", [])
    return found


def _operations(schema: Json) -> Iterator[Json]:
    for path in schema["paths"].values():
        yield from (operation for method, operation in path.items() if method in METHODS)


def _mend(operation: Json) -> None:
    for parameter in operation.get("parameters", []):
        _never_null(parameter)
        if parameter["name"] == "If-Match":
            # Missing, it has an answer of its own (428, RFC 6585); so to the framework it may be left out.
            parameter["required"] = True
    responses = operation["responses"]
    if "400" in responses:  # such an operation refuses malformed requests in its own way, never in the framework's
        responses.pop("422", None)
    for status in _unsaid(operation):
        responses.setdefault(str(status), {"description": MEANINGS[status]})
    for status, response in responses.items():
        response.setdefault("headers", {})[REQUEST_ID_HEADER] = header("Names this request in the logs", "3f2c9a")
        if int(status) >= 400:
            _as_problem(int(status), response)
    operation["responses"] = dict(sorted(responses.items()))


def _never_null(parameter: Json) -> None:
    """What stands in an address or a header is a text: it can be left out, but it cannot be null."""
    schema = parameter["schema"]
    kinds = [kind for kind in _shapes(schema) if kind != NULL]
    if len(kinds) == 1:
        del schema["anyOf"]
        parameter["schema"] = {**kinds[0], **schema}


def _unsaid(operation: Json) -> Iterator[int]:
    """What an operation may answer without its own doing."""
    if "security" in operation:
        yield from (401, 403, 503)
    if "requestBody" in operation:
        yield from (400, 413)


def _as_problem(status: int, response: Json) -> None:
    """Problems of any status have one shape, unless the operation has described one of its own."""
    described = response.get("content", {}).get("application/json", {})
    schema = described.get("schema", PROBLEM_REF)
    own = schema if schema.get("$ref", "").rpartition("/")[2] not in _FRAMEWORKS_OWN else PROBLEM_REF
    media: Json = {"schema": own}
    if "example" in described:
        media["example"] = described["example"]
    elif own == PROBLEM_REF:
        media |= _sample(status, response)
    response["content"] = {MEDIA_TYPE: media}
    if status == HTTPStatus.UNPROCESSABLE_ENTITY:
        response["description"] = MEANINGS[422]


def _sample(status: int, response: Json) -> Json:
    """What a reader will really see, headers included."""
    if status not in SAMPLES:
        return {"example": UNREADABLE.model_dump()} if status == UNREADABLE.status else {}
    told = SAMPLES[status]
    response["headers"] |= {name: header("RFC 9110", value) for name, value in answer_headers(told).items()}
    return {"example": problem_of(told).model_dump()}


def _problem_schemas() -> Json:
    schema = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    inner: Json = schema.pop("$defs", {})
    return {**inner, "Problem": schema}
