"""Sign-in: POST /v1/token, the password form of OAuth 2 (RFC 6749 section 4.3), and the public keys of the tokens."""

import uuid
from collections import Counter
from collections.abc import Callable, Coroutine
from datetime import timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter, Form, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute

from shipsvc.app import identity, passwords
from shipsvc.domain import errors
from shipsvc.web.deps import Service, ServiceDep, transaction
from shipsvc.web.errors import MEDIA_TYPE, faults_of
from shipsvc.web.identity_schemas import KeySet, Token, TokenError, TokenProblem
from shipsvc.web.openapi import header, problems

#: RFC 6749 section 5.1: a token, or the refusal of one, stays in no cache.
NO_STORE: Final = {"Cache-Control": "no-store", "Pragma": "no-cache"}
OWN_CLIENT: Final = "shipsvc"
SAMPLE: Final = {
    "type": "about:blank",
    "title": "WrongPassword",
    "status": 400,
    "code": "wrong_password",
    "detail": "The name or the password is wrong.",
    "errors": [],
    "error": "invalid_grant",
}


class _TokenRoute(APIRoute):
    """RFC 6749 section 5.2 wants 400 and a word of its list, also for a form that lacks a member."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The framework's handler, with its refusals turned into those of OAuth."""
        inner = super().get_route_handler()

        async def handler(request: Request) -> Response:
            try:
                twice = [
                    name for name, n in Counter(n for n, _ in (await request.form()).multi_items()).items() if n > 1
                ]
                if twice:  # section 3.2: parameters MUST NOT be included more than once
                    return refused("invalid_request", f"{', '.join(twice)} may stand in the form once")
                return await inner(request)
            except RequestValidationError as error:
                faults = faults_of(list(error.errors()), skip=1)
                return refused("invalid_request", "; ".join(f"{f.pointer}: {f.detail}" for f in faults))

        return handler


router = APIRouter(tags=["identity"])
token_router = APIRouter(route_class=_TokenRoute)


def refused(error: TokenError, why: str, *, of: errors.ShipsvcError | None = None) -> Response:
    """The answer to a request for a token that there is none for."""
    told = of or errors.Malformed(why=why)
    problem = TokenProblem(title=type(told).__name__, status=400, code=told.code, detail=str(told), error=error)
    return JSONResponse(problem.model_dump(), 400, NO_STORE, media_type=MEDIA_TYPE)


@token_router.post(
    "/v1/token",
    operation_id="sign_in",
    summary="Sign in with name and password",
    response_model=Token,
    responses={
        200: {"headers": {"Cache-Control": header("RFC 6749 section 5.1", "no-store")}},
        400: {
            "description": "No token: the reason is `error` (RFC 6749 section 5.2)",
            "model": TokenProblem,
            "content": {"application/json": {"example": SAMPLE}},
        },
        **problems(503),
    },
)
def sign_in(
    service: ServiceDep,
    grant_type: Annotated[str, Form(description="Always `password`", examples=["password"])],
    username: Annotated[str, Form(description="The login name", examples=["m.example"])],
    password: Annotated[str, Form(description="The password", examples=["a phrase nobody guesses"])],
    scope: Annotated[str, Form(description="None is defined: leave it out")] = "",
    client_id: Annotated[str, Form(max_length=100, description="Which program asks", examples=["scanner"])] = "",
) -> Any:
    """The password form of OAuth 2. The token lives for minutes; ask for another one when it has expired.

    A wrong name, a wrong password and a closed account look and take the same.
    """
    if grant_type != "password":
        return refused("unsupported_grant_type", 'grant_type must be "password"')
    if scope:
        return refused("invalid_scope", "this service knows no scopes. Leave scope out.")
    try:
        person = _person(service, username, password)
    except errors.WrongPassword as error:
        return refused("invalid_grant", "", of=error)
    return JSONResponse(_token(service, person, client_id or OWN_CLIENT).model_dump(), headers=NO_STORE)


def _person(service: Service, username: str, password: str) -> str:
    """Who signs in. The hash is computed outside any transaction: it takes longer than all else together."""
    # What no database can hold is nobody's name, and must not become a fault of the database.
    login = username if username.isascii() and username.isprintable() else ""
    with transaction(service, writes=False) as connection:
        found = identity.account(connection, login)
    person = identity.signed_in(found, password, service.now())
    if found is not None and passwords.needs_rehash(found["password_hash"]):
        renewed = passwords.hashed(password)
        with transaction(service, writes=True) as connection:
            identity.renew_hash(connection, found, renewed)
    return person


def _token(service: Service, person: str, client_id: str) -> Token:
    lifetime_s = service.settings.token_s
    issued = service.keys().issue(
        sub=person,
        client_id=client_id,
        sid=str(uuid.uuid4()),
        now=service.now(),
        lifetime=timedelta(seconds=lifetime_s),
    )
    return Token(access_token=issued, token_type="Bearer", expires_in=lifetime_s)  # noqa: S106 - RFC 6750, no secret


@router.get(
    "/.well-known/jwks.json",
    operation_id="key_set",
    summary="The public keys of the tokens",
    responses={
        200: {"headers": {"Cache-Control": header("How long to keep it", "public, max-age=600")}},
        **problems(503),
    },
)
def key_set(service: ServiceDep, response: Response) -> KeySet:
    """A JWK set (RFC 7517): the key that signs now, the next one, published ahead of its use, and the previous one."""
    response.headers["Cache-Control"] = "public, max-age=600"
    return KeySet.model_validate(service.keys().jwks())


router.include_router(token_router)
