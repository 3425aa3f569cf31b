"""The pages over HTTP: signing in, what a page may load, what whom it shows; how they look is looked at in a browser.

Sources: RFC 6265bis (cookies), the Fetch standard (Sec-Fetch-Site), OWASP Cross-Site Request Forgery Prevention.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from httpx2 import Response

from shipsvc.web.pages.rendering import length, mg, u_mg
from shipsvc.web.pages.tables import BY_NAME, OF_PAGES, Table
from tests.databases import copied
from tests.web import visits
from tests.web.chip import CHIP, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, collection, typed
from tests.web.service import PASSWORD, Running, running
from tests.web.visits import HTML

OWN = {"Sec-Fetch-Site": "same-origin", **HTML}
PAGES = (
    "/",
    "/arriving",
    "/loans",
    "/shipments",
    "/things",
    "/things?q=chip",
    *(f"/reports/{name}" for name in BY_NAME),
)


@pytest.fixture
def service(sqlite_database_url: str) -> Iterator[Running]:
    """A service with one administrator."""
    with running(sqlite_database_url) as found:
        found.client.follow_redirects = False
        yield found


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip that was lent and received."""

    path = tmp_path_factory.mktemp("pages") / "world.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        send_chip(found)
        receive_chip(found)
        found.running.client.follow_redirects = False
        yield found


def cookie(world: Collection, login: str) -> str:
    """A session of the pages."""
    return visits.cookie(world.running, login)


def opened(world: Collection, login: str, path: str, status: int = 200) -> str:
    """A page as somebody sees it."""
    return visits.opened(world.running, login, path, status)


def sign_in(service: Running, login: str = "first", password: str = PASSWORD, **more: str) -> Response:
    """Send the form."""
    return service.client.post("/sign-in", data={"login": login, "password": password, **more}, headers=OWN)


# ------------------------------------------------------------------------------------------------------- the entrance
def test_a_page_leads_to_the_form_and_back(service: Running) -> None:
    """Whoever is not signed in comes to the form, and from there to what they wanted."""
    away = service.client.get("/reports/overdue?as_of=2026-03-01", headers=HTML)
    assert away.status_code == 303
    assert away.headers["location"] == "/sign-in?next=%2Freports%2Foverdue%3Fas_of%3D2026-03-01"
    form = service.client.get(away.headers["location"], headers=HTML)
    assert 'name="next" value="/reports/overdue?as_of=2026-03-01"' in form.text

    back = sign_in(service, next="/reports/overdue?as_of=2026-03-01")

    assert (back.status_code, back.headers["location"]) == (303, "/reports/overdue?as_of=2026-03-01")
    assert service.client.get("/", headers=HTML).status_code == 200


@pytest.mark.parametrize("where", ["//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:x", ""])
def test_the_form_leads_to_no_other_host(service: Running, where: str) -> None:
    """An address that names another host leads to the first page (CWE-601)."""
    assert sign_in(service, next=where).headers["location"] == "/"


def test_the_cookie_is_kept_from_scripts_and_other_sites(service: Running) -> None:
    """HttpOnly, SameSite, a limited life; over HTTPS also Secure and bound to the host by its name."""
    given = sign_in(service).headers["set-cookie"]
    assert given.startswith("shipsvc=shp_")
    assert {"HttpOnly", "SameSite=lax", "Path=/"} <= set(re.split("; ", given))

    object.__setattr__(service.service.settings, "base_url", "https://samples.example")
    strict = sign_in(service).headers["set-cookie"]
    assert strict.startswith("__Host-shipsvc=shp_")
    assert {"Secure", "HttpOnly"} <= set(re.split("; ", strict))


def test_wrong_words_are_told_and_counted(service: Running) -> None:
    """The same limits as for the API: after too many failures the password is not looked at."""
    wrong = sign_in(service, password="not it")
    assert (wrong.status_code, 'role="alert"' in wrong.text) == (401, True)
    for _ in range(service.service.settings.login_failures_max):
        wrong = sign_in(service, password="not it")
    assert wrong.status_code == 429
    assert int(wrong.headers["retry-after"]) > 0
    assert sign_in(service).status_code == 429


def test_signing_out_ends_the_session_at_once(service: Running) -> None:
    """A copy of the cookie is good for nothing then."""
    sign_in(service)
    kept = dict(service.client.cookies)
    assert service.client.post("/sign-out", headers=OWN).headers["location"] == "/sign-in"
    copied_cookie = {"Cookie": "; ".join(f"{name}={value}" for name, value in kept.items()), **HTML}
    assert service.client.get("/", headers=copied_cookie).status_code == 303


@pytest.mark.parametrize(
    "sent", [{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": "https://evil.example"}]
)
@pytest.mark.parametrize("path", ["/sign-in", "/sign-out"])
def test_no_page_of_others_sends_a_form(service: Running, path: str, sent: dict[str, str]) -> None:
    """By what browsers say of where a request comes from, and pages cannot forge."""
    sign_in(service)
    form = {"login": "first", "password": PASSWORD}
    assert service.client.post(path, data=form, headers={**HTML, **sent}).status_code == 403
    assert service.client.get("/", headers=HTML).status_code == 200


def test_the_session_is_listed_among_ones_own(service: Running) -> None:
    """So that somebody who left a browser signed in can end it."""
    sign_in(service)
    listed = service.client.get("/v1/me/sessions", headers=service.token("first")).json()["sessions"]
    assert "pages" in {one["client_id"] for one in listed}


# ---------------------------------------------------------------------------------------------------------- the pages
@pytest.mark.parametrize("login", ["cur", "ana", "driver", "stranger", "aud"])
def test_every_page_opens_for_every_role(world: Collection, login: str) -> None:
    """Nothing is loaded from elsewhere, nothing stands in the page that its policy forbids, every link leads on."""
    for path in PAGES[login == "driver" :]:  # whose step is at the door has no desk (tests/web/test_pages_roles.py)
        visits.check(world.running, login, path)


def test_a_page_may_load_nothing_of_others(world: Collection) -> None:
    """Content-Security-Policy without unsafe-inline; no frame; not kept by caches."""
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world, 'cur')}"}
    answer = world.running.client.get("/", headers=headers)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["cache-control"] == "no-store"


def test_the_page_of_a_thing_says_what_the_api_says(world: Collection) -> None:
    """With whom, where, in what, what it weighs, and every fact of its custody."""
    page = opened(world, "cur", f"/things/{NUMBERS[CHIP]}")
    shown = world.get("cur", f"items/{NUMBERS[CHIP]}")

    for words in (shown["custody"]["certain"], shown["what"], mg(shown["book"]["mass_mg"]), shown["nest"][0]["number"]):
        assert words in page
    assert page.count('class="told"') == len(world.get("cur", f"items/{NUMBERS[CHIP]}/history", limit="200")["items"])


def test_a_number_that_is_searched_leads_to_its_page(world: Collection) -> None:
    """Typed in small letters, too; words give a list; what is nobody's or not theirs gives words what to do."""
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world, 'cur')}"}
    found = world.running.client.get("/things", params={"q": NUMBERS[CHIP].lower()}, headers=headers)
    assert (found.status_code, found.headers["location"]) == (303, f"/things/{NUMBERS[CHIP]}")
    assert NUMBERS[CHIP] in opened(world, "cur", "/things?q=interior")
    assert "yours to see" in opened(world, "stranger", f"/things?q={NUMBERS[CHIP]}")


def test_what_is_not_theirs_looks_like_what_is_not_there(world: Collection) -> None:
    """The same page, but for the number (rulings 16)."""
    hidden = opened(world, "stranger", f"/things/{NUMBERS[CHIP]}", 404)
    unknown = opened(world, "stranger", f"/things/{typed('BRM-0100')}", 404)

    assert hidden.replace(NUMBERS[CHIP], "X") == unknown.replace(typed("BRM-0100"), "X")


def test_another_moment_is_unmistakable(world: Collection) -> None:
    """A day means its end in the reader's zone; the page says so at its top, and answers as it was."""
    then = opened(world, "cur", f"/things/{NUMBERS[CHIP]}?as_of=2026-03-11&known_on=2026-03-12T00:00:00Z")
    assert 'class="then" role="status"' in then
    assert '<time datetime="2026-03-12T00:00:00Z"' in then
    assert '<p class="large">CRK</p>' in then
    assert 'class="then"' not in opened(world, "cur", f"/things/{NUMBERS[CHIP]}")
    assert "is not a time" in opened(world, "cur", "/?as_of=soon", 422)


def test_words_of_the_record_are_no_markup(world: Collection) -> None:
    """What somebody wrote is shown as they wrote it, and does nothing (CWE-79)."""
    evil = "<script>alert(1)</script><b>chip"
    (made,) = world.issue(kind="sample", form="material", what=evil, prefix="BRM")["items"]
    page = opened(world, "cur", f"/things/{made['number']}")
    assert evil not in page
    assert "&lt;script&gt;alert(1)" in page


@pytest.mark.parametrize("name", sorted(BY_NAME.keys() - {table.report.name for table in OF_PAGES}))
def test_a_table_as_a_file_is_the_reports_own(world: Collection, name: str) -> None:
    """The link below a table gives the CSV of the API, row for row."""
    asked = {"institution": "TRP"} if name == "holdings" else {k: str(v) for k, v in BY_NAME[name].asked.items()}
    api = world.running.client.get(
        f"/v1/reports/{name}", params=asked, headers={**world.head("cur"), "Accept": "text/csv"}
    )
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world, 'cur')}"}
    page = world.running.client.get(f"/reports/{name}/file.csv", headers=headers)
    assert (page.status_code, page.text) == (200, api.text)


@pytest.mark.parametrize("table", OF_PAGES, ids=lambda table: table.report.name)
def test_a_table_of_the_pages_alone_is_a_file_too(world: Collection, table: Table) -> None:
    """With the columns of its rows and the moments that every file names."""
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world, 'cur')}"}
    page = world.running.client.get(f"/reports/{table.report.name}/file.csv", headers=headers)
    heading = page.text.partition("\r\n")[0]
    assert heading == ",".join([*table.report.row.model_fields, "as_of", "known_on", "provisional"])


def test_an_unknown_report_and_a_broken_cursor_are_told(world: Collection) -> None:
    """As a page that says what to do."""
    assert "no report" in opened(world, "cur", "/reports/nothing", 404)
    assert "cursor" in opened(world, "cur", "/reports/overdue?cursor=abc", 422)


def test_figures_are_written_for_people() -> None:
    """ISO 80000-1: groups of three by a small space. GUM 7.2.6: u to two significant digits."""
    assert mg("221408") == "221\u202f408\u00a0mg"
    assert mg("-7.03") == "−7.03\u00a0mg"
    assert (u_mg("0.028577"), u_mg("25403.411936")) == ("0.029\u00a0mg", "25\u202f000\u00a0mg")
    assert (length(8_700), length(0), length(133_830)) == ("2 h 25 min", "0 min", "37 h 10 min")
    assert (length(863_999), length(864_000), length(1_000_000)) == ("239 h 59 min", "10 d", "11 d 13 h")
