"""What the page of a thing draws: true to the figures in the table beside it, readable in grey, and only what is
theirs to see. Drawings are read back as XML (W3C SVG 1.1), by Python's own parser."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import pytest
from markupsafe import Markup

from shipsvc.app.conditions import Conditions
from shipsvc.app.drift import Point
from shipsvc.app.reports_custody import Stretch
from shipsvc.domain.evidence import NEVER, Bar
from shipsvc.domain.times import Intervals
from shipsvc.web.balance_schemas import FamilyMember, FamilyShown, FamilyStep, Share
from shipsvc.web.history_schemas import ChargedShown
from shipsvc.web.pages import bars, plots, trees
from shipsvc.web.pages.rendering import mg
from tests.web import visits
from tests.web.chip import CHIP, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, collection, typed

START = datetime(2026, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
PIECES = {"BRM-0002": "400 mg", "BRM-0003": "800 mg"}


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip that was received by the laboratory, which used some of it and split the rest."""
    from tests.databases import copied

    path = tmp_path_factory.mktemp("pages") / "plots.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        send_chip(found)
        receive_chip(found)
        found.issue(kind="sample", form="material", what="piece", prefix="BRM", count=2)
        found.tell("ana", "SMP", "used", CHIP, "2026-03-20T10:00:00Z", mass="4.3 mg", balance="B5")
        pieces = [{"number": typed(name), "mass": mass, "balance": "B5"} for name, mass in PIECES.items()]
        found.tell("ana", "SMP", "divided", CHIP, "2026-03-21T10:00:00Z", children=pieces)
        found.running.client.follow_redirects = False
        yield found


def read(drawing: Markup | None) -> ElementTree.Element:
    """A drawing as XML."""
    assert drawing is not None
    return ElementTree.fromstring(drawing)


def named(drawing: ElementTree.Element, name: str, looks: str = "") -> list[dict[str, str]]:
    """The attributes of all elements of that name, and class if one is given."""
    return [
        one.attrib for one in drawing.iter() if one.tag.rpartition("}")[2] == name and looks in one.get("class", "")
    ]


# ------------------------------------------------------------------------------------------------------------ drawings
def test_custody_is_as_long_as_it_was() -> None:
    """Ten days with one, thirty with the next: bars as 1 to 3; the last word that is missing is marked as open."""
    stretches = [
        Stretch(START, START + 10 * DAY, 10 * DAY, "agreed", "TRP", None, "a"),
        Stretch(START + 10 * DAY, None, 30 * DAY, "giver_only", "TRP", "<CRK>", "b"),
    ]
    drawing = read(plots.custody(stretches, START + 40 * DAY, "UTC"))

    sure, said = named(drawing, "rect", "sure"), named(drawing, "rect", "said")
    assert [round(float(one["width"]) / 630 * 40, 1) for one in sure] == [10.0, 30.0]
    assert said == [{**sure[1], "y": said[0]["y"], "class": "said", "fill": "url(#hatch-custody)"}]
    assert float(said[0]["y"]) > float(sure[1]["y"])
    assert [one.text for one in drawing.iter() if one.tag.endswith("text")][-1] == "open ▸"
    assert plots.custody([], START, "UTC") is None


def test_the_bar_fills_its_window() -> None:
    """Each way of knowing has a row of its own; together they are the whole time (design section 5)."""
    ways = {"proven_in": 5, "by_record": 2, "indirect": 1, "unknown": 1, "proven_out": 1}
    at, parts = START, {}
    for state, days in ways.items():
        parts[state] = Intervals.from_pairs([(at, at + days * DAY)])
        at += days * DAY
    found = Conditions((START, at), (), Bar(**parts), (), NEVER, None)
    drawn = bars.bar(found, "UTC")

    assert drawn is not None
    rows = {row["state"]: (row["seconds"] / 86_400, row["percent"]) for row in drawn[1]}
    assert rows == {state: (days, f"{10 * days}.00") for state, days in ways.items()}
    boxes = named(read(drawn[0]), "rect")
    assert [round(float(one["width"]) / 63) for one in boxes] == list(ways.values())
    assert len({one["y"] for one in boxes}) == len({(one["class"], one.get("fill")) for one in boxes}) == 5
    assert bars.bar(Conditions((START, at), (), Bar(*[NEVER] * 5), (), NEVER, None), "UTC") is None


def test_a_budget_and_what_is_gone_of_it() -> None:
    """Half is gone for sure, as much again perhaps: filled and hatched as long as each other, the line at their end."""
    lifetime = {"state": "within", "budget_s": 7200, "left_s": 0, "warned_percent": 50, "perhaps_percent": 100}
    single = {**lifetime, "state": "no_budget", "budget_s": None, "left_s": None}
    times = {"at_least_s": 3600, "at_most_s": 7200, "longest_at_least_s": 3600, "longest_at_most_s": 7200}
    charged = {"profile": "C", "described": True, "state": "within", **times, "lifetime": lifetime, "single": single}
    (row,) = bars.budgets([ChargedShown.model_validate(charged)])
    drawing = read(row["bar"])
    gone, perhaps = named(drawing, "rect")
    assert (row["for"], row["left_s"], gone["width"]) == ("a whole life", 0, perhaps["width"])
    assert float(perhaps["x"]) + float(perhaps["width"]) == pytest.approx(
        float(named(drawing, "path", "limit")[0]["d"][1:].split()[0])
    )


def test_drift_stands_between_its_limits() -> None:
    """The steps of demo 7.6: within 3 u as points, beyond as squares; the limits at three times the uncertainty."""
    sums = [(-420_000, False), (-800_000, False), (-1_190_000, True), (-2_260_000, True)]
    points = [Point(START + 30 * n * DAY, ng, 314_000.0, ng / 314_000, alarms) for n, (ng, alarms) in enumerate(sums)]
    drawing = read(plots.drift(points, "UTC"))

    low = named(drawing, "polyline", "limit")[1]["points"].split()[0]
    line = [float(at.split(",")[1]) for at in named(drawing, "polyline", "edge")[0]["points"].split()]
    middle = (float(low.split(",")[1]) - 108) / (3 * 314_000) * 2_260_000 + 108
    assert line[-1] == pytest.approx(middle, abs=0.2)
    assert (len(named(drawing, "circle")), len(named(drawing, "rect", "alarm"))) == (2, 2)
    assert plots.drift(points[:1], "UTC") is None


def family(*steps: tuple[str, str, int]) -> FamilyShown:
    """A family by its steps: parent, child, share in percent."""
    numbers = sorted({number for parent, child, _ in steps for number in (parent, child)})
    made = [
        FamilyStep(
            child=child,
            parent=parent,
            event_id="e",
            born_at=START,
            mass_mg="1",
            share=Share(numerator=share, denominator=100, percent=f"{share}.00"),
        )
        for parent, child, share in steps
    ]
    other = {"mass_mg": "1", "used_weighed_mg": None, "used_estimated_mg": None}
    members = [FamilyMember(number=number, what="a < b", ended=number == "A", **other) for number in numbers]
    shown = {"number": "B", "members": members, "steps": made, "origins": []}
    return FamilyShown.model_validate({**shown, "as_of": START, "known_on": START, "provisional": False})


def test_a_family_without_overlap() -> None:
    """Parents stand left of children, no box covers another, a mixture says its shares, words are no markup."""
    found = family(("A", "B", 100), ("A", "C", 100), ("C", "D", 100), ("C", "E", 100), ("D", "M", 20), ("X", "M", 80))
    drawing = read(trees.family(found))

    boxes = [(float(one["x"]), float(one["y"])) for one in named(drawing, "rect", "box")]
    where = dict(zip("ABCDEMX", boxes, strict=True))
    assert all(where[step.parent][0] < where[step.child][0] for step in found.steps)
    assert all(abs(a[0] - b[0]) >= 178 or abs(a[1] - b[1]) >= 40 for a, b in combinations(boxes, 2))
    said = [one.text for one in drawing.iter() if one.tag.endswith("text")]
    assert {"20.00 %", "80.00 %", "nothing left", "a < b"} <= set(said)
    assert "100.00 %" not in said
    assert len(named(drawing, "rect", "here")) == 1


def test_a_circle_in_the_record_is_drawn_too() -> None:
    """It is flagged elsewhere; here it ends."""
    assert len(named(read(trees.family(family(("A", "B", 100), ("B", "A", 100)))), "rect", "box")) == 2


def test_a_bar_is_as_long_as_its_share() -> None:
    """The smallest is still seen; less than nothing is hollow; nothing is nothing."""
    widths = [named(read(plots.bar(share)), "rect") for share in (1.0, 0.5, 0.0001, -0.5, 0.0)]
    assert [float(one[0]["width"]) if one else 0 for one in widths] == [198, 99, 1.5, 99, 0]
    assert widths[3][0]["class"] == "less"


# ---------------------------------------------------------------------------------------------------------- on the page
def test_the_page_shows_where_the_mass_went(world: Collection) -> None:
    """To the owner: what the balance of the API says, line by line, and what it was split into."""
    page = visits.check(world.running, "cur", f"/things/{NUMBERS[CHIP]}")
    told = world.get("cur", "reports/material-balance", family=NUMBERS[CHIP])["items"]
    lines = {one["line"]: one["mass_mg"] for one in told}
    assert lines["received"] == "1204.3"
    for name in ("received", "used_weighed", "closing"):
        assert f'<tr class="{name}">' in page
        assert mg(lines[name]) in page
    assert '<tr class="written_off">' not in page
    assert page.count("<svg") == page.count("</svg>") >= 5
    for piece in PIECES:
        assert typed(piece) in page
    assert page.count("<title>The family of") == 1


def test_a_borrower_sees_its_own_time_and_no_balance(world: Collection) -> None:
    """Rulings 16: who had it before is not drawn, nor where the mass of the collection went."""
    page = visits.check(world.running, "ana", f"/things/{NUMBERS[CHIP]}")
    assert "Where its mass went" not in page
    drawn = page[page.index("Who had it over time") : page.index("Who had it, stretch by stretch")]
    assert ">SMP<" in drawn
    curator = visits.opened(world.running, "cur", f"/things/{NUMBERS[CHIP]}")
    assert curator.count('<td data-heading="Handover">') > page.count('<td data-heading="Handover">')


def test_a_parcel_has_its_custody_alone(world: Collection) -> None:
    """No family, no time out, no mass: for the courier who carried it, too."""
    page = visits.check(world.running, "driver", f"/things/{NUMBERS['P-0001']}")
    for heading in ("Where its mass went", "In and out of storage", "Family"):
        assert f"<h2>{heading}</h2>" not in page
    assert "<h2>Labels</h2>" not in page  # it has none


def test_labels_of_a_thing_are_listed(world: Collection) -> None:
    """With what became of each."""
    assert "BRM0001L.1" in visits.opened(world.running, "cur", f"/things/{NUMBERS[CHIP]}")
