"""An invitation on its way to whom it is for: the link, the mail that brings it, and the page that it leads to."""

import logging
from typing import Final

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from shipsvc.app import mail
from shipsvc.app.invitations import Invited
from shipsvc.config import Settings
from shipsvc.domain.times import format_instant

PATH: Final = "/invitation"
log = logging.getLogger("shipsvc.mail")
#: What the page may load and where it may send: nothing but itself. The secret stands behind the # of the address,
#: which no browser sends: it is in no log, no Referer, no history of a proxy.
HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; script-src 'unsafe-inline'; connect-src 'self'; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
}
PAGE: Final = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Choose your password</title>
<main><h1>Choose your password</h1>
<form><label>New password, 8 characters at least
<input type="password" autocomplete="new-password" minlength="8" required></label> <button>Keep it</button></form>
<p role="status"></p></main>
<script>
const form = document.querySelector("form"), status = document.querySelector("p");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const body = JSON.stringify({token: location.hash.slice(1), password: form.querySelector("input").value});
  const answer = await fetch("v1/invitations/accept",
    {method: "POST", headers: {"Content-Type": "application/json"}, body});
  const told = await answer.json();
  status.textContent = answer.ok ? "Done. Sign in as " + told.login + "." : told.detail;
  form.hidden = answer.ok;
});
</script></html>
"""
router = APIRouter()


def link(settings: Settings, invited: Invited) -> str:
    """Where somebody chooses their password."""
    return f"{settings.base_url.rstrip('/')}{PATH}#{invited.secret}"


def delivered(settings: Settings, invited: Invited) -> bool:
    """Mail the link, after the commit; False where there is no server or no address, or the server refuses.

    Whoever asked for it then gets the link themselves. Nothing of the message is logged.
    """
    smtp_url = settings.smtp_url.get_secret_value()
    if not smtp_url or not settings.mail_from or not invited.email:
        return False
    until = format_instant(invited.expires_at)
    try:
        about = {"sender": settings.mail_from, "to": invited.email, "login": invited.login}
        mail.send(smtp_url, mail.invitation(**about, link=link(settings, invited), until=until))
    except (OSError, ValueError) as failure:  # smtplib's errors are OSErrors; ValueError: an address that is none
        log.warning("an invitation could not be mailed: %s", type(failure).__name__)
        return False
    return True


@router.get(PATH, include_in_schema=False)
def show_invitation() -> HTMLResponse:
    """The page behind the link."""
    return HTMLResponse(PAGE, headers=HEADERS)
