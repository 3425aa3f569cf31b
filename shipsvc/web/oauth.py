"""What the OAuth 2 endpoints share: a form for a body, and refusals in the words of RFC 6749 section 5.2."""

import base64
from collections import Counter
from collections.abc import Callable, Coroutine
from typing import Any, Final
from urllib.parse import unquote_plus

from fastapi import Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute

from shipsvc.app.clients import Asking
from shipsvc.domain import errors
from shipsvc.web.errors import MEDIA_TYPE, answer_headers, detail_of, faults_of
from shipsvc.web.identity_schemas import TokenError, TokenProblem

#: RFC 6749 section 5.1: a token, or the refusal of one, stays in no cache.
NO_STORE: Final = {"Cache-Control": "no-store", "Pragma": "no-cache"}


class FormRoute(APIRoute):
    """RFC 6749 section 5.2 wants 400 and a word of its list, also for a form that lacks a member."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The framework's handler, with its refusals turned into those of OAuth."""
        inner = super().get_route_handler()
        known = {field.alias for field in self.dependant.body_params}

        async def handler(request: Request) -> Response:
            try:
                counted = Counter(name for name, _ in (await request.form()).multi_items())
                twice = [name for name, n in counted.items() if n > 1 and name in known]
                if twice:  # section 3.2: parameters MUST NOT be included more than once; unknown ones are ignored
                    return refused("invalid_request", f"{', '.join(twice)} may stand in the form once")
                return await inner(request)
            except RequestValidationError as error:
                faults = faults_of(list(error.errors()), skip=1)
                return refused("invalid_request", "; ".join(f"{f.pointer}: {f.detail}" for f in faults))

        return handler


def refused(error: TokenError, why: str, *, of: errors.ShipsvcError | None = None) -> Response:
    """The answer to a request for a token that there is none for."""
    told = of or errors.Malformed(why=why)
    status = 401 if error == "invalid_client" else 400
    problem = TokenProblem(
        title=type(told).__name__, status=status, code=told.code, detail=detail_of(told), error=error
    )
    headers = {**NO_STORE, **(answer_headers(told) if status == 401 else {})}
    return JSONResponse(problem.model_dump(), status, headers, media_type=MEDIA_TYPE)


def client_shown(request: Request, client_id: str, client_secret: str | None) -> Asking:
    """The client that a request for a token is of (RFC 6749 section 2.3.1): by HTTP Basic, or in the form.

    Malformed where it shows itself in both ways, of which it MUST NOT use more than one (section 2.3), or in none.
    """
    scheme, _, basic = request.headers.get("Authorization", "").partition(" ")
    address = client_address(request)
    if scheme.lower() != "basic":
        if not client_id or client_secret is None:
            raise errors.Malformed(why="this grant_type needs client_id and client_secret, or HTTP Basic.")
        return Asking(client_id, client_secret, address)
    named, secret = _basic(basic)
    if client_secret is not None or client_id not in {"", named}:
        raise errors.Malformed(why="a client shows itself by HTTP Basic or in the form, not in both.")
    return Asking(named, secret, address)


def _basic(encoded: str) -> tuple[str, str]:
    """Name and secret, each of which was encoded as in a form before they were joined (RFC 6749 section 2.3.1)."""
    try:
        name, colon, secret = base64.b64decode(encoded, validate=True).decode("utf-8").partition(":")
    except ValueError:
        name, colon, secret = "", "", ""
    if not colon:
        raise errors.Malformed(why="this is not HTTP Basic: client_id and client_secret, joined by a colon, in base64.")
    return unquote_plus(name), unquote_plus(secret)


def client_address(request: Request) -> str:
    """Where a request comes from, as the server knows it; behind a proxy that it trusts, what the proxy says."""
    return request.client.host if request.client else ""
