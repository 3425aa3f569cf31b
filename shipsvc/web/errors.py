"""Errors as problems (RFC 9457): the only place where an error meets an HTTP status."""

import logging
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Annotated, Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field, PlainSerializer, SkipValidation
from sqlalchemy import exc
from starlette.exceptions import HTTPException

from shipsvc.domain import errors
from shipsvc.domain.errors import Text
from shipsvc.store import engine

MEDIA_TYPE = "application/problem+json"
log = logging.getLogger("shipsvc.problems")

STATUS: dict[type[errors.ShipsvcError], int] = {
    errors.Malformed: 422,
    errors.NotSignedIn: 401,
    errors.NotAllowed: 403,
    errors.NotFound: 404,
    errors.Conflict: 409,
    errors.DependsOnFailed: 424,
    errors.VersionMoved: 412,
    errors.VersionNotNamed: 428,
    # draft-ietf-httpapi-idempotency-key-header-07 section 2.7 asks for 422 and not 409 here.
    errors.KeyUsedForOtherRequest: 422,
    errors.RuleForbids: 409,
    errors.TooManyTries: 429,
    errors.TooMuch: 413,
    # RFC 9110 section 15.5.16: also where it was found by looking at the data.
    errors.WrongType: 415,
    errors.Away: 503,
}


#: What to do about it, for errors whose own words only say what is wrong.
REMEDIES: dict[type[errors.ShipsvcError], str] = {
    errors.Malformed: "Mend that as the API description at /docs says, and send it again.",
    errors.BadBody: "Mend that as the API description at /docs says, and send it again.",
    errors.WrongPassword: "Check both and try again.",
    errors.WrongClient: "Ask an administrator for a new secret.",
    errors.NotAllowed: "Ask an administrator of your institution.",
    errors.NotYourRole: "Ask somebody who has it, or an administrator for it.",
    errors.Conflict: "Read what is there, then decide.",
    errors.RuleForbids: "Settle that first, then try again.",
}


#: What pydantic says of what people type, by the type of its error.
LIBRARY: Final[Mapping[str, Sequence[str]]] = {
    "missing": ("Field required",),
    "string_too_short": (
        "String should have at least {min_length} character",
        "String should have at least {min_length} characters",
    ),
    "string_too_long": ("String should have at most {max_length} characters",),
    "string_pattern_mismatch": ("String should match pattern '{pattern}'",),
    "too_short": ("List should have at least {min_length} item after validation, not {actual_length}",),
    "literal_error": ("Input should be {expected}",),
    "extra_forbidden": ("Extra inputs are not permitted",),
    "int_parsing": ("Input should be a valid integer, unable to parse string as an integer",),
    "greater_than_equal": ("Input should be greater than or equal to {ge}",),
    "less_than_equal": ("Input should be less than or equal to {le}",),
}


def _codes(kind: type[errors.ShipsvcError]) -> set[str]:
    return {kind.code}.union(*(_codes(below) for below in kind.__subclasses__()))


OURS = frozenset(_codes(errors.ShipsvcError))


#: A text that is kept as it is, for pages to say it in another language, and is written as any other.
Said = Annotated[SkipValidation[str], PlainSerializer(str, return_type=str)]


class Fault(BaseModel):
    """One member of the request that is at fault, and what to do about it."""

    pointer: str = Field(description="JSON pointer into the request (RFC 6901)", examples=["/fact/time/raw"])
    code: str = Field(description="What is wrong, for programs", examples=["not_a_time"])
    detail: Said


class Problem(BaseModel):
    """What went wrong, for people (detail) and for programs (code)."""

    type: str = "about:blank"
    title: str
    status: int
    code: str
    detail: Said
    errors: list[Fault] = []


def status_of(kind: type[errors.ShipsvcError]) -> int:
    """The HTTP status of an error class: its own row, or that of the nearest class above it."""
    return next(STATUS[base] for base in kind.__mro__ if base in STATUS)


def detail_of(error: errors.ShipsvcError) -> Text:
    """What is wrong, and what to do about it, in whole sentences."""
    return _with_remedy(error.said, REMEDIES.get(type(error), ""))


def _with_remedy(said: Text, remedy: str) -> Text:
    ended = said if said.endswith((".", '."')) else Text("{said}.", said=said)
    return Text("{said} {remedy}", said=ended, remedy=Text(remedy)) if remedy else ended


def problem_of(error: errors.ShipsvcError) -> Problem:
    """The problem that tells of one of our errors."""
    title, detail = type(error).__name__, detail_of(error)
    faults = [Fault(pointer=error.pointer, code=error.code, detail=error.said)] if error.pointer else []
    return Problem(title=title, status=status_of(type(error)), code=error.code, detail=detail, errors=faults)


def faults_of(found: list[Any], skip: int = 0) -> list[Fault]:
    """Pydantic's findings as faults; ``skip`` leading parts of each place (such as "body") are left out.

    Parts like ``<weighed>`` are tags of a union, which the sender never wrote.
    """
    return [Fault(pointer=_pointer(f, skip), code=f["type"], detail=_said(f)) for f in found]


def _said(found: Any) -> str:
    """What pydantic says, as a text of ours where it is one that forms of the pages lead to."""
    values = found.get("ctx", {})
    ours = values.get("said")
    if isinstance(ours, Text):
        return ours
    known = (_filled(template, values) for template in LIBRARY.get(found["type"], ()))
    said: str = found["msg"]
    return next((text for text in known if text is not None and text == said), said)


def _filled(template: str, values: Mapping[str, Any]) -> Text | None:
    """None where values are missing, as where a rule of ours took over the type of an error of the library."""
    with suppress(KeyError):
        return Text(template, **values)
    return None


def _pointer(found: Any, skip: int) -> str:
    # Of a body that is no JSON the place is a count of characters, not a member.
    parts = [] if found["type"] == "json_invalid" else found["loc"][skip:]
    return "".join(f"/{part}" for part in parts if not str(part).startswith("<"))


def malformed(faults: list[Fault]) -> Problem:
    """The problem of a request that does not have the shape described; one fault of our own keeps its own code."""
    why = listed(faults[:3])
    code = faults[0].code if len(faults) == 1 and faults[0].code in OURS else errors.Malformed.code
    # Our own words say what to do; those of the library only what is wrong.
    remedy = "" if code != errors.Malformed.code else REMEDIES[errors.Malformed]
    said = _with_remedy(Text(errors.Malformed.__doc__ or "", why=why), remedy)
    return Problem(title="Malformed", status=422, code=code, detail=said, errors=faults)


def listed(faults: Sequence[Fault]) -> Text:
    """Faults as one text, each with its place."""
    return errors.joined("; ", [Text("{place}: {said}", place=f.pointer or "/", said=f.detail) for f in faults])


def answer(problem: Problem, headers: dict[str, str] | None = None) -> JSONResponse:
    """A problem as a response."""
    return JSONResponse(problem.model_dump(), problem.status, headers, media_type=MEDIA_TYPE)


def answer_headers(error: errors.ShipsvcError) -> dict[str, str]:
    """The headers that the answer to an error carries: how to sign in, or when to come again."""
    if isinstance(error, errors.WrongClient):
        return {"WWW-Authenticate": 'Basic realm="shipsvc"'}  # RFC 6749 section 5.2
    if isinstance(error, errors.NotSignedIn):
        return {"WWW-Authenticate": 'Bearer error="invalid_token"' if isinstance(error, errors.BadToken) else "Bearer"}
    if isinstance(error, errors.TooManyTries):
        return {"Retry-After": str(error.facts["wait_s"])}
    return {"Retry-After": "2"} if isinstance(error, errors.Away) else {}


async def _ours(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, errors.ShipsvcError)
    return answer(problem_of(error), answer_headers(error))


async def _shape(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    return answer(malformed([*faults_of(list(error.errors()), skip=1)]))


async def _framework(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    if error.status_code == 405:
        headers["Allow"] = ", ".join(_methods(request))
    code = {404: "no_such_path", 405: "method_not_allowed"}.get(error.status_code, "http_error")
    said = f"{error.detail}: see the API description at /docs."
    return answer(Problem(title=str(error.detail), status=error.status_code, code=code, detail=said), headers)


def _methods(request: Request) -> list[str]:
    """Every method the path answers to: the framework names only those of the first route that matches."""
    from starlette.routing import Match

    scope = dict(request.scope)
    found: set[str] = set()
    for method in ("GET", "POST", "PUT", "PATCH", "DELETE"):
        scope["method"] = method
        if any(route.matches(scope)[0] is Match.FULL for route in request.app.router.routes):
            found.add(method)
    return sorted(found)


async def _database(_request: Request, error: Exception) -> JSONResponse:
    if isinstance(error, exc.DBAPIError) and not engine.is_away(error):
        raise error  # nobody foresaw it: what was asked of the database was wrong
    log.error("database: %s", type(error).__name__, exc_info=error)
    return await _ours(_request, errors.Away(what="The database"))


async def _unforeseen(_request: Request, error: Exception) -> JSONResponse:
    log.error("unforeseen", exc_info=error)
    said = "Something unforeseen went wrong; nothing was stored. The X-Request-Id of this answer names it in the logs."
    return answer(Problem(title="InternalError", status=500, code="internal_error", detail=said))


def install(app: FastAPI) -> None:
    """Answer every error of the application as a problem."""
    app.add_exception_handler(errors.ShipsvcError, _ours)
    app.add_exception_handler(RequestValidationError, _shape)
    app.add_exception_handler(HTTPException, _framework)
    for kind in (exc.DBAPIError, exc.TimeoutError):
        app.add_exception_handler(kind, _database)
    app.add_exception_handler(Exception, _unforeseen)
