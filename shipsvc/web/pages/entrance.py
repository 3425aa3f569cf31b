"""Signing in to the pages and out again."""

from datetime import timedelta
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from shipsvc.app import attempts, sessions
from shipsvc.domain import errors
from shipsvc.web import api_token
from shipsvc.web.deps import ServiceDep, transaction
from shipsvc.web.errors import answer_headers, detail_of, status_of
from shipsvc.web.oauth import client_address
from shipsvc.web.pages import session
from shipsvc.web.pages.language import COOKIE
from shipsvc.web.pages.rendering import NOBODY, render
from shipsvc.web.pages.session import VisitDep

router = APIRouter(include_in_schema=False)
SEE_OTHER: Final = 303
Next = Annotated[str, Query(max_length=500)]


def own_path(asked: str) -> str:
    """Where to go after signing in: a path of ours; whatever names another host leads to the first page."""
    parts = urlsplit(asked)
    ours = asked.startswith("/") and not asked.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc
    return asked if ours and asked.isprintable() else "/"


@router.get("/sign-in")
def show_sign_in(request: Request, service: ServiceDep, next: Next = "/") -> HTMLResponse:
    """The form."""
    is_tablet = session.tablet_cookie(service.settings) in request.cookies
    return render("sign_in.html", NOBODY, next=own_path(next), wrong="", login="", tablet=is_tablet)


@router.post("/sign-in", dependencies=[Depends(session.require_own_page)])
def sign_in(
    request: Request,
    service: ServiceDep,
    login: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
    next: Annotated[str, Form(max_length=500)] = "/",
) -> Response:
    """With name and password, under the same limits as the API's."""
    address = client_address(request)
    lifetimes = api_token.lifetimes(service.settings)
    try:
        with api_token.signing_in(service, login, password, address) as (connection, person):
            now, network = service.now(connection), attempts.network(address)
            secret = sessions.start_pages(connection, now, lifetimes, person=person, address=network)
    except (errors.WrongPassword, errors.TooManyTries) as error:
        shown: dict[str, Any] = {"next": own_path(next), "wrong": detail_of(error), "login": login, "tablet": False}
        page = render("sign_in.html", NOBODY, status=status_of(type(error)), **shown)
        page.headers.update({k: v for k, v in answer_headers(error).items() if k == "Retry-After"})
        return page
    response = RedirectResponse(own_path(next), SEE_OTHER)
    session.give_cookie(response, service.settings, secret, min(lifetimes.whole, lifetimes.idle))
    return response


@router.post("/sign-out")
def sign_out(request: Request, visit: VisitDep) -> Response:
    """Ends the session at once."""
    with transaction(visit.service, writes=True) as connection:
        sessions.end(connection, visit.service.now(connection), visit.claims.sid)
    is_tablet = session.tablet_cookie(visit.service.settings) in request.cookies
    response = RedirectResponse("/tablet" if is_tablet else "/sign-in", SEE_OTHER)
    session.give_cookie(response, visit.service.settings, "", timedelta(0))
    return response


@router.post("/language", dependencies=[Depends(session.require_own_page)])
def choose_language(
    request: Request, service: ServiceDep, language: Annotated[Literal["en", "de"], Form()]
) -> RedirectResponse:
    """Read the pages in another language from now on; back to the page that it was chosen on."""
    came = urlsplit(request.headers.get("referer", ""))
    here = own_path(f"{came.path or '/'}?{came.query}" if came.query else came.path or "/")
    response = RedirectResponse(here, SEE_OTHER)
    session.keep_cookie(response, service.settings, COOKIE, language, timedelta(days=365))
    return response
