"""Invitations, resets and one's own password, with a real SMTP server (aiosmtpd) that keeps what it is handed."""

import email.policy
import re
import socket
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from sqlalchemy import text

from tests.web.service import PASSWORD, Running, running

Json = dict[str, Any]
NEW = "another phrase altogether"
BODY = {"name": "M. Example", "email": "m.example@trp.example", "login": "m.example", "roles": []}
MAIL_FROM = "samples@trp.example"


@dataclass
class Letterbox:
    """What an SMTP server was handed: RFC 5321 envelopes, and what stood in them."""

    envelopes: list[Envelope] = field(default_factory=list)
    answer: str = "250 OK"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Called by the server for each message."""
        self.envelopes.append(envelope)
        return self.answer

    def message(self) -> EmailMessage:
        """The only message, read by the standard library."""
        (envelope,) = self.envelopes
        assert isinstance(envelope.content, bytes)
        found = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(found, EmailMessage)
        return found


@dataclass
class Post:
    """A server and its address."""

    box: Letterbox
    url: str


@pytest.fixture
def post() -> Iterator[Post]:
    """A mail server on a port of this machine."""
    box = Letterbox()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    yield Post(box, f"smtp://127.0.0.1:{port}")
    controller.stop()


@pytest.fixture
def mailing(database_url: str, post: Post) -> Iterator[Running]:
    """The service with that mail server, once on each database."""
    chosen = {"smtp_url": post.url, "mail_from": MAIL_FROM, "base_url": "https://samples.trp.example/"}
    with running(database_url, **chosen) as found:
        yield found


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service without one."""
    with running(database_url) as found:
        yield found


def status(service: Running, login: str, password: str) -> int:
    """How a sign-in is answered."""
    form = {"grant_type": "password", "username": login, "password": password}
    return service.client.post("/v1/token", data=form).status_code


def accept(service: Running, link: str, password: str = NEW, status: int = 200) -> Json:
    """Choose a password by a link."""
    return service.post("/v1/invitations/accept", {"token": link.partition("#")[2], "password": password}, {}, status)


def test_an_invitation_goes_out_by_mail(mailing: Running, post: Post) -> None:
    """To the person alone, with a link under the service's address; the administrator does not see it."""
    made = mailing.post("/v1/invitations", BODY, mailing.token("first"))

    assert (made["mailed"], made["link"]) == (True, None)
    (envelope,) = post.box.envelopes
    assert (envelope.mail_from, envelope.rcpt_tos) == (MAIL_FROM, [BODY["email"]])
    message = post.box.message()
    assert (message["From"], message["To"]) == (MAIL_FROM, BODY["email"])
    found = re.search(r"https://samples\.trp\.example/invitation#\S+", message.get_content())
    assert found
    assert status(mailing, "m.example", "") == 400
    assert accept(mailing, found[0]) == {"login": "m.example"}
    assert status(mailing, "m.example", NEW) == 200


def test_the_link_is_good_once_and_for_some_days(service: Running) -> None:
    """A used, an expired and a made-up secret are answered alike; only a digest is in the database."""
    admin = service.token("first")
    link = service.post("/v1/invitations", BODY, admin)["link"]
    late = service.post("/v1/invitations", {**BODY, "login": "late"}, admin)["link"]
    with service.service.database.engine.connect() as connection:
        kept = str(connection.execute(text("SELECT * FROM invitation")).all())
    assert link.partition("#")[2] not in kept
    service.post("/v1/invitations/accept", {"token": link.partition("#")[2], "password": "short"}, {}, 422)
    accept(service, link)
    again = accept(service, link, status=404)
    service.clock.forward(days=7)

    assert accept(service, late, status=404) == again == accept(service, "#shi_none", status=404)
    assert again["code"] == "invitation_over"


def test_a_reset_replaces_password_and_sessions(service: Running) -> None:
    """Until the link is used the old password holds; a newer link makes the older one void; a locked name is freed."""
    ana = service.add("ana", ("TRP", "clerk"))
    path = f"/v1/people/{service.people['ana']}/reset"
    admin = service.token("first")
    older, link = (service.post(path, {}, admin)["link"] for _ in range(2))
    accept(service, older, status=404)
    service.get("/v1/me", ana)

    accept(service, link)

    service.get("/v1/me", ana, status=401)
    assert status(service, "ana", PASSWORD) == 400
    assert status(service, "ana", NEW) == 200


def test_only_administrators_invite_and_reset(service: Running) -> None:
    """A curator may not; nobody is invited under a name in use, and no closed account is opened again."""
    curator = service.add("cur", ("TRP", "curator"))
    admin = service.token("first")
    path = f"/v1/people/{service.people['cur']}"

    service.post("/v1/invitations", BODY, curator, 403)
    service.post(f"{path}/reset", {}, curator, 403)
    service.post("/v1/invitations", {**BODY, "login": "cur"}, admin, 409)
    service.post("/v1/people/00000000-0000-0000-0000-000000000000/reset", {}, admin, 404)
    link = service.post(f"{path}/reset", {}, admin)["link"]
    service.post(f"{path}/close", {}, admin, 200)
    service.post(f"{path}/reset", {}, admin, 409)
    accept(service, link, status=404)


def test_a_server_that_refuses_leaves_the_link_to_the_administrator(
    mailing: Running, post: Post, caplog: pytest.LogCaptureFixture
) -> None:
    """What was committed stays; the log says that mail failed, and neither to whom nor the link."""
    caplog.set_level("DEBUG")
    post.box.answer = "554 no"

    made = mailing.post("/v1/invitations", BODY, mailing.token("first"))
    accept(mailing, made["link"])

    assert made["mailed"] is False
    # The mail server of the test logs in this process, too.
    logged = " ".join(record.getMessage() for record in caplog.records if record.name.startswith("shipsvc"))
    assert "could not be mailed" in logged
    secret, to = made["link"].partition("#")[2], str(BODY["email"])
    assert [word for word in (secret, to, NEW, PASSWORD) if word in logged] == []


def test_no_secret_is_kept_for_retries(service: Running) -> None:
    """An Idempotency-Key does not make the service keep an answer with a link in it."""
    headers = {**service.token("first"), "Idempotency-Key": "k-1"}
    answer = service.client.post("/v1/invitations", json=BODY, headers=headers)

    assert (answer.status_code, answer.headers["Cache-Control"]) == (201, "no-store")
    with service.service.database.engine.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM replay")).scalar_one() == 0


def test_the_page_behind_the_link_sends_its_secret_nowhere_else(service: Running) -> None:
    """RFC 9110 section 4.2.4: what stands behind # is not sent; the page loads nothing and names no other host."""
    answer = service.client.get("/invitation")

    assert answer.status_code == 200
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert "connect-src 'self'" in answer.headers["Content-Security-Policy"]
    assert "//" not in answer.text


def change(service: Running, head: Json, old: str, status: int = 200) -> Json:
    """Change one's own password."""
    return service.post("/v1/me/password", {"old_password": old, "new_password": NEW}, head, status)


def test_ones_own_password(service: Running) -> None:
    """It takes the old one; then every session ends, also that of another device, and the new one signs in."""
    head, other = service.add("ana", ("TRP", "clerk")), service.token("ana")
    assert change(service, head, "wrong phrase", 401)["code"] == "wrong_password"

    change(service, head, PASSWORD)

    for token in (head, other):
        service.get("/v1/me", token, status=401)
    assert (status(service, "ana", PASSWORD), status(service, "ana", NEW)) == (400, 200)


def test_whoever_holds_a_token_cannot_guess_the_password(service: Running) -> None:
    """Wrong old passwords are counted as wrong sign-ins are (OWASP API2:2023)."""
    head = service.add("ana", ("TRP", "clerk"))
    for _ in range(10):
        change(service, head, "wrong phrase", 401)

    assert change(service, head, PASSWORD, 429)["code"] == "too_many_tries"
    assert status(service, "ana", PASSWORD) == 429
