"""The page for auditors: the same rows as the reports, and the hours in which one side alone spoke for a thing."""

from collections.abc import Iterator

import pytest

from shipsvc.web.pages.rendering import length
from tests.web import visits
from tests.web.chip import NUMBERS, PARCEL, receive_chip, send_chip
from tests.web.collection import Collection, collection


@pytest.fixture(scope="module")
def world(sqlite_template: object, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip that was received, of which one thing was told three days late."""
    from tests.databases import copied

    path = tmp_path_factory.mktemp("pages") / "audit.sqlite3"
    with collection(copied(sqlite_template, path)) as found:  # type: ignore[arg-type]
        send_chip(found)
        receive_chip(found)
        found.tell("ana", "SMP", "seen", PARCEL, "2026-03-15T10:00:00Z", "2026-03-18T10:00:00Z")
        found.running.client.follow_redirects = False
        yield found


def test_an_auditor_sees_what_was_told_late(world: Collection) -> None:
    """Trade question 40: how late, by whom; what waits for a second person is said to be nothing."""
    page = visits.check(world.running, "aud", "/audit")
    (late,) = world.get("aud", "reports/told-late")["items"]
    assert f">{length(late['late_s'])}</td>" in page
    assert NUMBERS[PARCEL] in page
    assert "Nothing waits for a second person." in page


def test_the_hours_of_one_side_alone(world: Collection) -> None:
    """Trade question 40, of a thing that is named: each stretch, and how long they are together."""
    page = visits.check(world.running, "aud", f"/audit?item={NUMBERS[PARCEL]}")
    told = world.get("aud", f"items/{NUMBERS[PARCEL]}/one-sided")
    assert len(told["stretches"]) > 0
    assert f"{NUMBERS[PARCEL]}: {length(told['total_s'])} together." in page
    alone = page[page.index("When did one side alone") :]
    assert alone.count('<td data-heading="Handover">') == len(told["stretches"])


@pytest.mark.parametrize(("login", "item", "status"), [("aud", "BRM-0001-X", 422), ("stranger", NUMBERS[PARCEL], 404)])
def test_what_is_no_number_or_not_theirs_is_told_above_the_form(
    world: Collection, login: str, item: str, status: int
) -> None:
    """The rest of the page stands."""
    page = visits.opened(world.running, login, f"/audit?item={item}", status)
    assert 'role="alert"' in page
    assert "What was told late" in page


def test_everybody_may_ask_about_what_is_theirs(world: Collection) -> None:
    """A borrower reads of its own; a moment before anything happened has nothing."""
    visits.check(world.running, "ana", "/audit")
    assert "Everything was told in time." in visits.opened(world.running, "aud", "/audit?as_of=2026-03-12")


def test_a_thing_is_asked_about_at_the_moment_of_the_page(world: Collection) -> None:
    """The form carries both moments on, as the search does, unmistakably not now."""
    page = visits.opened(world.running, "aud", "/audit?as_of=2026-03-12T09:00:00Z&known_on=2026-03-13T09:00:00Z")
    for name, at in (("as_of", "2026-03-12T09:00:00Z"), ("known_on", "2026-03-13T09:00:00Z")):
        assert page.count(f'<input type="hidden" name="{name}" value="{at}">') == 2
