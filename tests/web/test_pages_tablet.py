"""A shared tablet: the tablet is nobody, a PIN is good on it alone, for minutes, and cannot be guessed at for long.

Sources: NIST SP 800-63B sections 3.1.1 (digits that are looked up need six) and 3.2.2 (waits after failures); OWASP
Session Management Cheat Sheet (a new session, and its end); RFC 9106 (Argon2id). Twenty minutes are common practice,
no source.
"""

import re
from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from httpx2 import Response

from shipsvc.app import passwords, pins
from shipsvc.store.pins import PIN
from shipsvc.web.deps import transaction
from tests.web import visits
from tests.web.service import PASSWORD, Running, running
from tests.web.visits import HTML

OWN = {"Sec-Fetch-Site": "same-origin", **HTML}
DIGITS = "730519"


@pytest.fixture
def service(sqlite_database_url: str) -> Iterator[Running]:
    """An administrator, a clerk of TRP, and somebody of SMP."""
    with running(sqlite_database_url) as found:
        found.client.follow_redirects = False
        found.institution("SMP")
        found.add("clerk", ("TRP", "clerk"))
        found.add("ana", ("SMP", "analyst"))
        yield found


class Browser:
    """One browser with its cookies."""

    def __init__(self, service: Running) -> None:
        self.service, self.cookies = service, dict[str, str]()

    def ask(self, path: str, **form: str) -> Response:
        """GET, or POST where there is a form to send."""
        said = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        headers = {**OWN, "Cookie": said}
        client = self.service.client
        client.cookies.clear()
        answer = client.post(path, data=form, headers=headers) if form else client.get(path, headers=headers)
        for name, value in answer.cookies.items():
            self.cookies[name] = value
        return answer

    def sign_in(self, login: str) -> None:
        """With the password."""
        self.cookies["shipsvc"] = visits.cookie(self.service, login)


def device(service: Running, kind: str = "device") -> str:
    """A device of TRP."""
    body = {"institution": "TRP", "kind": kind, "name": f"Tablet of the packing room {kind}", "roles": []}
    body |= {"roles": ["clerk"]} if kind == "service" else {}
    return str(service.post("/v1/clients", body, service.token("first"))["client"])


@pytest.fixture
def tablet(service: Running) -> Browser:
    """A tablet on which the clerk has a PIN, and nobody is signed in."""
    found = Browser(service)
    found.sign_in("first")
    assert found.ask("/tablet/enrol", client=device(service)).status_code == 303
    found.sign_in("clerk")
    page = choose(found, DIGITS)
    assert "Your PIN is kept" in page.text
    del found.cookies["shipsvc"]
    return found


def choose(tablet: Browser, digits: str, again: str = "", password: str = PASSWORD) -> Response:
    """Choose a PIN."""
    return tablet.ask("/tablet/pin", password=password, pin=digits, again=again or digits)


def enter(tablet: Browser, digits: str = DIGITS, login: str = "clerk") -> Response:
    """Sign in with a PIN."""
    return tablet.ask("/tablet/sign-in", person=tablet.service.people[login], pin=digits, next="/loans")


def test_a_person_signs_in_and_the_tablet_is_nobody(tablet: Browser) -> None:
    """Without a PIN the tablet opens nothing; with it the page is the clerk's."""
    assert tablet.ask("/").headers["location"].startswith("/sign-in")
    names = tablet.ask("/tablet").text
    assert re.findall(r'type="radio" name="person" value="([^"]+)"', names) == [tablet.service.people["clerk"]]
    answer = enter(tablet)
    assert (answer.status_code, answer.headers["location"]) == (303, "/loans")
    assert "HttpOnly" in answer.headers["set-cookie"]
    (name,) = re.findall(r'name="person"[^>]*> ([^<]+)</label>', names)
    assert f"<span>{name} · TRP</span>" in tablet.ask("/").text


def test_it_is_over_after_twenty_minutes(tablet: Browser) -> None:
    """Nothing renews it."""
    enter(tablet)
    tablet.service.clock.forward(minutes=19)
    assert tablet.ask("/").status_code == 200
    tablet.service.clock.forward(minutes=1)
    assert tablet.ask("/").status_code == 303


def test_a_pin_is_good_on_its_tablet_alone(service: Running, tablet: Browser) -> None:
    """Another tablet of the same institution knows nobody; nor does any other browser."""
    other = Browser(service)
    other.sign_in("first")
    client = service.post(
        "/v1/clients", {"institution": "TRP", "kind": "device", "name": "Other", "roles": []}, service.token("first")
    )["client"]
    other.ask("/tablet/enrol", client=client)
    del other.cookies["shipsvc"]
    assert enter(other).status_code == 401
    assert "shipsvc" not in Browser(service).ask("/tablet/sign-in", person="x", pin=DIGITS).cookies


def test_after_five_failures_each_try_costs_a_wait(tablet: Browser) -> None:
    """Of one person on one tablet; the right PIN is not looked at meanwhile, and works again afterwards."""
    for _ in range(pins.FAILURES_MAX):
        assert enter(tablet, "111222").status_code == 401
    locked = enter(tablet)
    assert locked.status_code == 429
    tablet.service.clock.forward(seconds=int(locked.headers["retry-after"]))
    assert enter(tablet).status_code == 303


def test_somebody_without_a_pin_is_refused_like_a_wrong_one(tablet: Browser) -> None:
    """Who has one on the tablet stands on its page; more is not to be learned."""
    wrong, nobody = enter(tablet, "111222"), enter(tablet, login="ana")
    assert wrong.status_code == nobody.status_code == 401
    assert wrong.text == nobody.text


@pytest.mark.parametrize("bad", ["12345", "123456", "987654", "555555", "12a456", "1" * 13])
def test_plain_pins_are_refused(tablet: Browser, bad: str) -> None:
    """Too short, in a row, all alike, or not digits."""
    tablet.sign_in("clerk")
    assert choose(tablet, bad).status_code == 422


def test_choosing_a_pin_takes_the_password(tablet: Browser) -> None:
    """Neither a tablet found unlocked nor a session by PIN is enough."""
    tablet.sign_in("clerk")
    assert choose(tablet, "829164", password="not it").status_code == 401
    assert choose(tablet, "829164", again="829165").status_code == 422
    del tablet.cookies["shipsvc"]
    enter(tablet)
    assert choose(tablet, "829164").status_code == 409
    assert tablet.ask("/tablet/enrol", client="x").status_code == 409


def test_the_tablet_is_of_its_institution(tablet: Browser) -> None:
    """Whoever acts for another one has no PIN there; who leaves signs in no more."""
    tablet.sign_in("ana")
    assert choose(tablet, DIGITS).status_code == 409
    del tablet.cookies["shipsvc"]
    path = f"/v1/people/{tablet.service.people['clerk']}/leave"
    tablet.service.post(path, {}, tablet.service.token("first"), 200)
    assert enter(tablet).status_code == 401


@pytest.mark.parametrize("how", ["secret", "client"])
def test_what_is_revoked_opens_nothing_from_then_on(tablet: Browser, how: str) -> None:
    """A lost tablet: whoever is signed in on it is signed out, and no PIN works."""
    enter(tablet)
    service = tablet.service
    client = tablet.cookies["shipsvc-tablet"].partition(":")[0]
    head = service.token("first")
    (secret,) = service.client.get(f"/v1/clients/{client}", headers=head).json()["secrets"]
    path = (
        f"/v1/clients/{client}/secrets/{secret['secret_id']}/revoke" if how == "secret" else f"/v1/clients/{client}/end"
    )
    assert service.client.post(path, json={}, headers=head).status_code == 200
    assert tablet.ask("/").status_code == 303
    assert enter(tablet).status_code == 200  # the page that says it is no tablet
    assert "not enrolled" in tablet.ask("/tablet").text


def test_a_new_password_forgets_the_pins(tablet: Browser) -> None:
    """Whoever fears that somebody knows their secrets changes one of them."""
    service = tablet.service
    body = {"old_password": PASSWORD, "new_password": "another phrase entirely"}
    answer = service.client.post("/v1/me/password", json=body, headers=service.token("clerk"))
    assert answer.status_code in {200, 204}, answer.text
    assert enter(tablet).status_code == 401


def test_what_is_kept_does_not_give_the_pin_away(tablet: Browser) -> None:
    """Argon2id, over the PIN and the tablet's secret, which the database has not got."""
    with transaction(tablet.service.service, writes=False) as connection:
        (kept,) = connection.execute(sa.select(PIN.c.hash)).scalars().all()
    assert kept.startswith("$argon2id$")
    assert not passwords.matches(kept, DIGITS)


def test_only_an_administrator_enrols_and_only_a_device(service: Running) -> None:
    """A program's secret has no place in a browser that everybody uses."""
    browser = Browser(service)
    browser.sign_in("clerk")
    assert browser.ask("/tablet/enrol", client=device(service)).status_code == 404
    browser.sign_in("first")
    assert browser.ask("/tablet/enrol", client=device(service, "service")).status_code == 409
    assert "shipsvc-tablet" not in browser.cookies


def test_signing_out_leads_back_to_the_names(tablet: Browser) -> None:
    """And the form for passwords leads there too, on a tablet."""
    enter(tablet)
    assert tablet.ask("/sign-out", x="").headers["location"] == "/tablet"
    assert "With a PIN on this tablet" in tablet.ask("/sign-in").text
    assert "With a PIN on this tablet" not in Browser(tablet.service).ask("/sign-in").text
