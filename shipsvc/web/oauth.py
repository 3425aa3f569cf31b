"""What the OAuth 2 endpoints share: a form for a body, and refusals in the words of RFC 6749 section 5.2."""

from collections import Counter
from collections.abc import Callable, Coroutine
from typing import Any, Final

from fastapi import Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute

from shipsvc.domain import errors
from shipsvc.web.errors import MEDIA_TYPE, faults_of
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
    problem = TokenProblem(title=type(told).__name__, status=400, code=told.code, detail=str(told), error=error)
    return JSONResponse(problem.model_dump(), 400, NO_STORE, media_type=MEDIA_TYPE)


def client_address(request: Request) -> str:
    """Where a request comes from, as the server knows it; behind a proxy that it trusts, what the proxy says."""
    return request.client.host if request.client else ""
