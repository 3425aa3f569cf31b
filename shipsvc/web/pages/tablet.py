"""A shared tablet: enrolled by an administrator, and signed in on with a PIN that is good on it alone."""

from datetime import timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from shipsvc.app import attempts, identity, pins, sessions
from shipsvc.app.pins import Tablet
from shipsvc.domain import errors
from shipsvc.web import api_token
from shipsvc.web.deps import Service, ServiceDep, transaction, unit_of_work
from shipsvc.web.errors import answer_headers, detail_of, status_of
from shipsvc.web.oauth import client_address
from shipsvc.web.pages import entrance, frames, session
from shipsvc.web.pages.frames import NOW
from shipsvc.web.pages.rendering import NOBODY, render
from shipsvc.web.pages.session import Visit, VisitDep

router = APIRouter(include_in_schema=False)
SEE_OTHER: Final = 303
PersonId = Annotated[str, Form(max_length=64)]
Pin = Annotated[str, Form(max_length=40)]
Next = Annotated[str, Query(max_length=500)]


def _tablet(request: Request, service: ServiceDep) -> Tablet | None:
    kept = request.cookies.get(session.tablet_cookie(service.settings))
    if not kept:
        return None
    with transaction(service, writes=False) as connection:
        return pins.tablet_of(connection, service.now(connection), kept)


TabletDep = Annotated[Tablet | None, Depends(_tablet)]


@router.get("/tablet")
def show(service: ServiceDep, tablet: TabletDep, next: Next = "/scan") -> HTMLResponse:
    """Who signs in here: their names, and a PIN."""
    return _names(service, tablet, entrance.own_path(next))


def _names(service: Service, tablet: Tablet | None, next: str, wrong: str = "", status: int = 200) -> HTMLResponse:
    found: list[tuple[str, str]] = []
    if tablet is not None:
        with transaction(service, writes=False) as connection:
            rows = pins.people_on(connection, service.now(connection), tablet)
        found = [(row["person"], row["name"] or row["person"]) for row in rows]
    return render("tablet.html", NOBODY, status=status, tablet=tablet, people=found, next=next, wrong=wrong)


@router.post("/tablet/sign-in", dependencies=[Depends(session.require_own_page)])
def sign_in(
    request: Request,
    service: ServiceDep,
    tablet: TabletDep,
    person: PersonId = "",
    pin: Pin = "",
    next: Annotated[str, Form(max_length=500)] = "/scan",
) -> Response:
    """A short session for the person whose PIN it is. The tablet is nobody: without a PIN it opens nothing."""
    where = entrance.own_path(next)
    if tablet is None:
        return _names(service, None, where)
    try:
        secret = _opened(service, tablet, person, pin, client_address(request))
    except (errors.WrongPassword, errors.TooManyTries) as error:
        wrong = "" if isinstance(error, errors.WrongPassword) else detail_of(error)
        page = _names(service, tablet, where, wrong or "pin", status_of(type(error)))
        page.headers.update({k: v for k, v in answer_headers(error).items() if k == "Retry-After"})
        return page
    response = RedirectResponse(where, SEE_OTHER)
    session.give_cookie(response, service.settings, secret, pins.LASTS)
    return response


def _opened(service: Service, tablet: Tablet, person: str, pin: str, address: str) -> str:
    with transaction(service, writes=False) as connection:
        limits = api_token.limits(service.settings)
        now = service.now(connection)
        made, pin_hash = pins.begin_try(connection, now, limits, tablet, person, address)
    if not pins.matches(tablet, pin_hash, pin):
        with transaction(service, writes=True) as connection:
            attempts.failed(connection, service.now(connection), made)
        raise errors.WrongPassword
    with transaction(service, writes=True) as connection:
        return pins.start(connection, service.now(connection), tablet, person, made, pin_hash)


# ------------------------------------------------------------------------------------------------------------ set up
@router.get("/tablet/set-up")
def set_up(visit: VisitDep, tablet: TabletDep) -> HTMLResponse:
    """For an administrator: make this browser a tablet. For everybody else on a tablet: choose a PIN."""
    return _set_up(visit, tablet)


def _set_up(visit: Visit, tablet: Tablet | None, wrong: str = "", status: int = 200, done: str = "") -> HTMLResponse:
    with visit.reading() as work:
        frame = frames.of(work, NOW)
        devices = pins.tablets(work.connection, work.actor, work.now()) if work.actor.administers else []
    by_password = visit.claims.client_id == sessions.PAGES
    shown: dict[str, Any] = {
        "tablet": tablet,
        "devices": devices,
        "by_password": by_password,
        "wrong": wrong,
        "done": done,
    }
    return render("tablet_set_up.html", frame, status=status, **shown)


@router.post("/tablet/enrol")
def enrol(visit: VisitDep, client: Annotated[str, Form(max_length=64)]) -> Response:
    """This browser keeps a secret of the device from now on."""
    _require_password_session(visit)
    with unit_of_work(visit.service, visit.claims) as work:
        now = work.now()
        tablet, until = pins.enrol(work.connection, work.actor, now, client)
    response = RedirectResponse("/tablet/set-up", SEE_OTHER)
    name, lasts = session.tablet_cookie(visit.service.settings), until - now
    session.keep_cookie(response, visit.service.settings, name, f"{tablet.client}:{tablet.secret}", lasts)
    return response


@router.post("/tablet/forget")
def forget(visit: VisitDep) -> Response:
    """This browser is no tablet any more; for whoever signed in with a password. The secret is revoked elsewhere."""
    _require_password_session(visit)
    response = RedirectResponse("/tablet/set-up", SEE_OTHER)
    settings = visit.service.settings
    session.keep_cookie(response, settings, session.tablet_cookie(settings), "", timedelta(0))
    return response


@router.post("/tablet/pin")
def choose_pin(
    request: Request,
    visit: VisitDep,
    tablet: TabletDep,
    password: Annotated[str, Form(max_length=1000)] = "",
    pin: Pin = "",
    again: Pin = "",
) -> Response:
    """Choose a PIN for this tablet, with the password: who merely found it unlocked cannot."""
    _require_password_session(visit)
    if tablet is None:
        return _set_up(visit, None)
    with visit.reading() as work:
        account = identity.account_of(work.connection, work.actor.person)
    try:
        _require_alike(pin, again)
        api_token.password_tried(visit.service, account["login"], password, client_address(request))
        kept = pins.hashed(tablet, pin)
        with unit_of_work(visit.service, visit.claims) as work:
            pins.put(work.connection, work.actor, work.now(), tablet, kept)
    except (errors.Malformed, errors.WrongPassword, errors.TooManyTries, errors.RuleForbids) as error:
        return _set_up(visit, tablet, detail_of(error), status_of(type(error)))
    return _set_up(visit, tablet, done="pin")


def _require_alike(pin: str, again: str) -> None:
    if pin != again:
        raise errors.Malformed(why="the two PINs differ", pointer="/again")


def _require_password_session(visit: Visit) -> None:
    if visit.claims.client_id != sessions.PAGES:
        raise errors.RuleForbids(why="you signed in with a PIN. Sign in with your password for this.")
