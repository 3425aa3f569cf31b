"""Who is in front of a page: a cookie that names a session, and the check that a form was sent by a page of ours."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Final
from urllib.parse import urlsplit

from fastapi import Depends, Request, Response

from shipsvc.app import sessions
from shipsvc.config import Settings
from shipsvc.domain import errors
from shipsvc.web.deps import ServiceDep, Work, reading, transaction
from shipsvc.web.tokens import Claims

#: Methods by which nothing is changed.
SAFE: Final = frozenset({"GET", "HEAD"})


@dataclass(frozen=True)
class Visit:
    """Somebody who is signed in, in front of a page, and the service that they ask."""

    service: ServiceDep
    claims: Claims

    @contextmanager
    def reading(self) -> Iterator[Work]:
        """A reading transaction for them."""
        with reading(self.service, self.claims) as work:
            yield work


def cookie_name(settings: Settings) -> str:
    """The name of the cookie; browsers hold the prefix to its word: over HTTPS only, for this host alone."""
    return "__Host-shipsvc" if settings.base_url.startswith("https:") else "shipsvc"


def tablet_cookie(settings: Settings) -> str:
    """The name of the cookie by which a browser is known as a shared tablet."""
    return f"{cookie_name(settings)}-tablet"


def give_cookie(response: Response, settings: Settings, secret: str, lasts: timedelta) -> None:
    """Have the browser keep the secret of a session."""
    keep_cookie(response, settings, cookie_name(settings), secret, lasts)


def keep_cookie(response: Response, settings: Settings, name: str, kept: str, lasts: timedelta) -> None:
    """Have the browser keep something that no script reads; an empty text to forget it."""
    secure = settings.base_url.startswith("https:")
    seconds = int(lasts.total_seconds())
    response.set_cookie(name, kept, max_age=seconds, path="/", secure=secure, httponly=True, samesite="lax")


def require_own_page(request: Request) -> None:
    """Raise unless a form comes from a page of this host: no page of others can act by the cookie of who reads it.

    Browsers say where a request comes from in Sec-Fetch-Site and Origin, which no page can forge (Fetch standard;
    OWASP Cross-Site Request Forgery Prevention). What sends neither is no browser.
    """
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if request.method in SAFE or site in {"same-origin", "none"}:
        return
    if site is None and (origin is None or urlsplit(origin).netloc == request.headers.get("host")):
        return
    raise errors.FromElsewhere


def _visit(request: Request, service: ServiceDep) -> Visit:
    require_own_page(request)
    secret = request.cookies.get(cookie_name(service.settings))
    if secret:
        with transaction(service, writes=False) as connection:
            found = sessions.of_cookie(connection, service.now(connection), secret)
        if found is not None:
            times = {"issued_at": found["started_at"], "expires_at": found["expires_at"]}
            claims = Claims(sub=found["person"], client_id=found["client_id"], sid=found["id"], jti="", **times)
            return Visit(service, claims)
    raise errors.NotSignedIn


VisitDep = Annotated[Visit, Depends(_visit)]
