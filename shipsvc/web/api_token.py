"""Sign-in: POST /v1/token (RFC 6749 sections 4.3, 4.4 and 6), its end (RFC 7009), and the public keys of the tokens."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Annotated, Any, Final

import sqlalchemy as sa
from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import JSONResponse

from shipsvc.app import attempts, clients, identity, passwords, sessions
from shipsvc.config import Settings
from shipsvc.domain import errors
from shipsvc.domain.attempts import Limit
from shipsvc.store.engine import Row
from shipsvc.web.deps import Service, ServiceDep, transaction
from shipsvc.web.errors import problem_of
from shipsvc.web.identity_schemas import KeySet, Token, TokenProblem
from shipsvc.web.oauth import NO_STORE, FormRoute, client_address, client_shown, refused
from shipsvc.web.openapi import header, problems

OWN_CLIENT: Final = "shipsvc"
SAMPLE: Final = {
    "type": "about:blank",
    "title": "WrongPassword",
    "status": 400,
    "code": "wrong_password",
    "detail": "The name or the password is wrong. Check both and try again.",
    "errors": [],
    "error": "invalid_grant",
}
_REFUSED: Final[dict[int | str, Any]] = {
    400: {
        "description": "No token: the reason is `error` (RFC 6749 section 5.2)",
        "model": TokenProblem,
        "content": {"application/json": {"example": SAMPLE}},
    }
}
_NOT_A_CLIENT: Final[dict[str, Any]] = {
    "description": "No such client, or not its secret (RFC 6749 section 5.2)",
    "model": TokenProblem,
    "headers": {"WWW-Authenticate": header("RFC 9110", 'Basic realm="shipsvc"')},
    "content": {
        "application/json": {"example": problem_of(errors.WrongClient()).model_dump() | {"error": "invalid_client"}}
    },
}

router = APIRouter(tags=["identity"])
form_router = APIRouter(route_class=FormRoute)


def limits(settings: Settings) -> attempts.Limits:
    """The limits on failed sign-ins that the settings ask for."""
    window, longest = timedelta(minutes=settings.failures_window_min), timedelta(seconds=settings.failures_wait_s_max)
    login, address = (
        Limit(failures, window, wait_max=longest)
        for failures in (settings.login_failures_max, settings.address_failures_max)
    )
    return attempts.Limits(login, address)


def lifetimes(settings: Settings) -> sessions.Lifetimes:
    """How long sessions last as the settings ask for."""
    return sessions.Lifetimes(timedelta(days=settings.session_days), timedelta(days=settings.session_idle_days))


@form_router.post(
    "/v1/token",
    operation_id="sign_in",
    summary="Sign in, as a person or a client, or renew a sign-in",
    response_model=Token,
    responses={
        200: {"headers": {"Cache-Control": header("RFC 6749 section 5.1", "no-store")}},
        **_REFUSED,
        401: _NOT_A_CLIENT,
        **problems(429, 503),
    },
)
def sign_in(
    request: Request,
    service: ServiceDep,
    grant_type: Annotated[
        str, Form(description="`password`, `refresh_token` or `client_credentials`", examples=["password"])
    ],
    username: Annotated[str | None, Form(description="The login name", examples=["m.example"])] = None,
    password: Annotated[str | None, Form(description="The password", examples=["a phrase nobody guesses"])] = None,
    refresh_token: Annotated[str | None, Form(description="What the last answer gave for this")] = None,
    scope: Annotated[str, Form(description="None is defined: leave it out")] = "",
    client_id: Annotated[str, Form(max_length=100, description="Which program asks", examples=["scanner"])] = "",
    client_secret: Annotated[
        str | None, Form(max_length=200, description="Of a client, unless it comes by HTTP Basic")
    ] = None,
) -> Any:
    """The token forms of OAuth 2. An access token lives for minutes; the refresh token that comes with it is good once,
    for the next pair. Showing a spent one ends the session, since somebody may have copied it.

    Programs and devices (`/v1/clients`) ask with `client_credentials` and their id and secret, by HTTP Basic or in the
    form, and get an access token alone. To the other two, `client_id` is only a word for the list of one's sessions.

    A wrong name, a wrong password and a closed account look and take the same. After some failures under one name, or
    from one address, the answer is 429 for a while, and the password is not looked at.
    """
    if scope:
        return refused("invalid_scope", "this service knows no scopes. Leave scope out.")
    if grant_type == "password":
        if username is None or password is None:
            return refused("invalid_request", "this grant_type needs username and password")
        return _by_password(service, username, password, client_id or OWN_CLIENT, client_address(request))
    if grant_type == "refresh_token":
        if refresh_token is None:
            return refused("invalid_request", "this grant_type needs refresh_token")
        return _by_refresh(service, refresh_token, client_id)
    if grant_type == "client_credentials":
        try:
            shown = client_shown(request, client_id, client_secret)
        except errors.Malformed as error:
            return refused("invalid_request", "", of=error)
        return _by_secret(service, shown)
    return refused("unsupported_grant_type", 'grant_type must be "password", "refresh_token" or "client_credentials"')


def _by_secret(service: Service, shown: clients.Asking) -> Response:
    try:
        with transaction(service, writes=False) as connection:
            now = service.now(connection)
            made = clients.begin_try(connection, now, limits(service.settings), shown)
            known = clients.fitting(connection, now, shown) is not None
        if not known:
            with transaction(service, writes=True) as connection:
                attempts.failed(connection, service.now(connection), made)
            return refused("invalid_client", "", of=errors.WrongClient())
        with transaction(service, writes=True) as connection:
            lasts = timedelta(seconds=service.settings.token_s)
            opened = clients.open_session(connection, service.now(connection), lasts, shown, made)
    except errors.WrongClient as error:
        return refused("invalid_client", "", of=error)
    token = _token(service, shown.client, shown.client, opened.session, None, lifetime=opened.lifetime)
    return JSONResponse(token.model_dump(exclude_none=True), headers=NO_STORE)


def _by_password(service: Service, username: str, password: str, client_id: str, address: str) -> Response:
    try:
        with signing_in(service, username, password, address) as (connection, person):
            opened = sessions.start(
                connection,
                service.now(connection),
                lifetimes(service.settings),
                person=person,
                client_id=client_id,
                address=attempts.network(address),
            )
    except errors.WrongPassword as error:
        return refused("invalid_grant", "", of=error)
    return _answer(service, opened)


@contextmanager
def signing_in(service: Service, username: str, password: str, address: str) -> Iterator[tuple[sa.Connection, str]]:
    """A writing transaction in which to open a session, and the person whose name and password these are.

    Raises as ``password_tried`` does; WrongPassword also where the account was changed or closed meanwhile.
    """
    # What no database can hold is nobody's name, and must not become a fault of the database.
    login = username.strip().lower() if username.isascii() and username.isprintable() else ""
    found, made, renewed = password_tried(service, login, password, address)
    with transaction(service, writes=True) as connection:
        identity.hold_unchanged(connection, found)
        attempts.succeeded(connection, made)
        if renewed is not None:
            identity.renew_hash(connection, found, renewed)
        yield connection, found["person"]


def password_tried(service: Service, login: str, password: str, address: str) -> tuple[Row, attempts.Try, str | None]:
    """The account whose password this is, the try that it was, and a stronger hash where one is due.

    WrongPassword, which is counted; TooManyTries before any hash is computed. The hash is computed outside any
    transaction: it takes longer than all else together.
    """
    chosen = limits(service.settings)
    with transaction(service, writes=False) as connection:
        now = service.now(connection)
        found = identity.account(connection, login)
        person = found["person"] if found is not None else None
        made = attempts.begin(connection, now, chosen, login=login, person=person, address=address)
    try:
        identity.signed_in(found, password, now)
    except errors.WrongPassword:
        with transaction(service, writes=True) as connection:
            attempts.failed(connection, service.now(connection), made)
        raise
    assert found is not None
    weak = passwords.needs_rehash(found["password_hash"])
    return found, made, passwords.hashed(password) if weak else None


def _by_refresh(service: Service, refresh_token: str, client_id: str) -> Response:
    with transaction(service, writes=True) as connection:
        opened = sessions.renew(
            connection, service.now(connection), lifetimes(service.settings), refresh_token, client_id
        )
    if opened is None:
        return refused("invalid_grant", "", of=errors.BadToken(why="it is unknown, spent or over"))
    return _answer(service, opened)


def _answer(service: Service, opened: sessions.Opened) -> Response:
    lifetime = timedelta(seconds=service.settings.token_s)
    token = _token(service, opened.person, opened.client_id, opened.session, opened.refresh_token, lifetime=lifetime)
    return JSONResponse(token.model_dump(exclude_none=True), headers=NO_STORE)


def _token(
    service: Service, person: str, client_id: str, session: str, refresh: str | None, *, lifetime: timedelta
) -> Token:
    issued = service.keys().issue(
        sub=person,
        client_id=client_id,
        sid=session,
        now=service.now(),
        lifetime=lifetime,
    )
    expires_in = int(lifetime.total_seconds())
    return Token(access_token=issued, token_type="Bearer", expires_in=expires_in, refresh_token=refresh)  # noqa: S106 - RFC 6750, no secret


@form_router.post(
    "/oauth/revoke",
    operation_id="sign_out",
    summary="Sign out",
    response_class=Response,
    responses={
        200: {"description": "Nothing that was issued in that session is good any more"},
        **_REFUSED,
        **problems(503),
    },
)
def sign_out(
    service: ServiceDep,
    token: Annotated[
        str,
        Form(min_length=1, description="A refresh token or an access token of the session", examples=["shr_9mK3vQ..."]),
    ],
) -> Response:
    """Ends the session of a token at once, with all its other tokens (RFC 7009). A token that is unknown or over is
    answered the same: there is nothing left to end.
    """
    session = _session_of(service, token)
    with transaction(service, writes=True) as connection:
        now = service.now(connection)
        session = session or sessions.of_refresh(connection, token)
        if session is not None:
            sessions.end(connection, now, session)
    return Response(headers=NO_STORE)


def _session_of(service: Service, access_token: str) -> str | None:
    try:
        return service.keys().verify(access_token, service.now()).sid
    except errors.BadToken:
        return None


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


router.include_router(form_router)
