"""Mail, by the standard library's SMTP client, to whichever server the settings name."""

import smtplib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from urllib.parse import unquote, urlsplit

WAIT_S = 10


def send(smtp_url: str, message: EmailMessage) -> None:
    """Hand a message to the server at ``smtp://`` or ``smtps://`` [user:password@]host[:port].

    OSError (of which smtplib's errors are) if it cannot be reached or refuses; ValueError for another kind of address.
    """
    with _connected(smtp_url) as server:
        server.send_message(message)


@contextmanager
def _connected(smtp_url: str) -> Iterator[smtplib.SMTP]:
    parts = urlsplit(smtp_url)
    if parts.scheme not in {"smtp", "smtps"} or not parts.hostname:
        raise ValueError("a mail server is written smtp://host:port or smtps://host:port")
    trusted = ssl.create_default_context()
    if parts.scheme == "smtps":
        server: smtplib.SMTP = smtplib.SMTP_SSL(parts.hostname, parts.port or 465, timeout=WAIT_S, context=trusted)
    else:
        server = smtplib.SMTP(parts.hostname, parts.port or 25, timeout=WAIT_S)
    with server:
        server.ehlo()
        if parts.scheme == "smtp" and server.has_extn("starttls"):
            server.starttls(context=trusted)
            server.ehlo()
        elif parts.scheme == "smtp" and parts.username:
            raise smtplib.SMTPNotSupportedError("the server takes no STARTTLS: the password would go out in the clear")
        if parts.username:
            server.login(unquote(parts.username), unquote(parts.password or ""))
        yield server


def invitation(*, sender: str, to: str, login: str, link: str, until: str) -> EmailMessage:
    """The message that brings somebody the link to choose a password; ValueError for what is no header."""
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = sender, to, "Choose your password"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834
    message.set_content(
        f"You sign in as {login}. Choose your password here:\n\n{link}\n\n"
        f"The link is good once, until {until}. If you did not expect it, tell whoever runs the service.\n"
    )
    return message
