"""What stands behind a verdict, over HTTP: stated uncertainties, the balance's papers, air, tares, dryness.

``fsck`` comes to the same by its own rules every time.
"""

from collections.abc import Iterator
from typing import Any, Final

import pytest
from uncertainties import ufloat

from shipsvc.app import fsck
from shipsvc.domain.mass import air_density, buoyancy_factor
from shipsvc.web.deps import transaction
from tests.web.chip import CHIP, NUMBERS, VIAL, send_chip
from tests.web.collection import Collection, Json, collection

AT, AFTER = "2026-03-11T09:00:00Z", "2026-03-11T09:30:00Z"
SEA: Final = {"temperature_c": 20, "pressure_hpa": 1013.25, "humidity_percent": 50}
HIGH: Final = {**SEA, "pressure_hpa": 835}


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip of 1204.3 mg in its vial, once on each database."""
    with collection(database_url) as found:
        send_chip(found)
        yield found


def weighed(world: Collection, mass: str | None, at: str = AT, **said: Any) -> Json:
    """Tell a weighing on B1."""
    said |= {"mass": f"{mass} mg"} if mass else {}
    return world.tell("cur", "TRP", "weighed", CHIP, at, balance="B1", **said)


def post(world: Collection, weighing: Json, at: str = AT) -> None:
    """Set the book to a weighing."""
    said = {"weighing": weighing["id"], "posted_at": at, "because": "Weighed with care"}
    world.post("cur", f"items/{NUMBERS[CHIP]}/post-mass", said)


def last(world: Collection) -> Json:
    """The last comparison of the chip, while ``fsck`` finds nothing."""
    with transaction(world.running.service, writes=False) as connection:
        assert list(fsck.check(connection)) == []
    rows: list[Json] = world.get("cur", "reports/mass-discrepancies", verdict="all")["items"]
    return rows[-1]


def test_e_n_stands_where_both_sides_state_an_expanded_uncertainty(world: Collection) -> None:
    """152.31 (U 0.08) against 152.40 (U 0.06), k = 2: E_n = -0.09/0.10 = -0.900 and zeta = -1.800 (ISO 13528:2022
    9.6 and 9.7; recomputed in checks.md, section 3); u is U / k."""
    post(world, weighed(world, "152.40", expanded_uncertainty="0.06 mg"))
    assert last(world)["e_n"] is None  # the book before that stated none

    weighed(world, "152.31", AFTER, expanded_uncertainty="0.08 mg", coverage_factor=2)

    found = last(world)
    assert found["e_n"] == pytest.approx(-0.900, abs=5e-4)
    assert found["r"] == pytest.approx(-1.800, abs=5e-4)
    assert float(found["u_mg"]) == pytest.approx(0.05)
    assert found["marks"] == ["below_least_mass", "stated_u_odd"]  # B1 does 0.216 mg, not five times less


def test_a_stated_uncertainty_that_contradicts_itself_is_malformed(world: Collection) -> None:
    """A factor without an uncertainty, an estimate with one, a factor below 1, an uncertainty of nothing."""
    for said in (
        {"coverage_factor": 2},
        {"method": "estimated", "expanded_uncertainty": "1 mg"},
        {"expanded_uncertainty": "1 mg", "coverage_factor": 0.5},
        {"expanded_uncertainty": "0 mg"},
    ):
        world.tell("cur", "TRP", "weighed", CHIP, AT, mass="1204.2 mg", status=422, **said)


def certify(world: Collection, **papers: Any) -> None:
    """The papers of B1, from the beginning."""
    told = {"what": "analytical", "readability_mg": "0.1", "repeatability_mg": "0.15", "good_until": "2027-01-31"}
    body = {**told, **papers, "valid_from": "2025-01-01T00:00:00Z", "because": "Certificate"}
    answer = world.running.client.put("/v1/balances/B1", json=body, headers={**world.head("cur"), "If-Match": "*"})
    assert answer.status_code == 200, answer.text


def test_one_calibration_cancels_between_weighings_on_one_balance(world: Collection) -> None:
    """GUM 5.2.2: after a use weighed on B1 too, an error of its scale moves the rest and what was expected alike.

    Second opinion: the package ``uncertainties``, where the scale is one variable. Were the three independent, u would
    be three times as large.
    """
    certify(
        world, calibration_load_mg="2000", error_of_indication_mg="-0.8", calibration_u_mg="0.6", linearity_mg="0.2"
    )
    world.tell("cur", "TRP", "used", CHIP, AT, mass="204.3 mg", balance="B1")
    weighing = weighed(world, "999.9", AFTER)

    found = last(world)

    one = (2 * (0.15**2 + 0.1**2 / 12) + 0.2**2 / 3) ** 0.5
    scale = ufloat(1, 1 / 2000)  # the root of 0.8^2 + 0.6^2, of 2000 mg
    first, used, rest = (scale * mass + ufloat(0, one) for mass in (1204.3, 204.3, 999.9))
    assert float(found["u_mg"]) == pytest.approx((rest - (first - used)).std_dev, rel=1e-4)
    assert float(found["u_mg"]) < 0.45 < (one**2 * 3 + (1 / 2000) ** 2 * (1204.3**2 + 204.3**2 + 999.9**2)) ** 0.5
    budget = world.get("cur", f"items/{NUMBERS[CHIP]}/weighings/{weighing['id']}/budget")
    parts = {line["name"]: float(line["contribution_mg"]) for line in budget["components"]}
    assert parts["calibration"] == pytest.approx(0.6 / 2000 * 999.9, rel=1e-3)
    assert parts["error of indication"] == pytest.approx(0.8 / 2000 * 999.9, rel=1e-3)
    assert parts["linearity"] == pytest.approx(0.2 / 3**0.5, rel=1e-3)
    assert sum(part**2 for part in parts.values()) ** 0.5 == pytest.approx(rest.std_dev, rel=1e-4)


def test_an_error_is_stated_for_a_load(world: Collection) -> None:
    """An error of indication without the load says nothing of another mass."""
    body = {"what": "x", "readability_mg": "0.1", "repeatability_mg": "0.15", "good_until": "2027-01-31"}
    body |= {"error_of_indication_mg": "0.1", "because": "Certificate"}
    answer = world.running.client.put("/v1/balances/B1", json=body, headers={**world.head("cur"), "If-Match": "*"})
    assert (answer.status_code, "Name the load" in answer.text) == (422, True)


def test_both_masses_are_corrected_where_the_air_was_read_both_times(world: Collection) -> None:
    """m = W (1 - rho_a / 8000) / (1 - rho_a / 2200) at each site (OIML D 28; checks.md, section 4): what reads the
    same at 1013 and at 835 hPa is less up there. Where the air was read once, nothing is corrected (rulings 19).

    The density of the rock is shared: u of the correction is that of the difference (package ``uncertainties``).
    """
    first = weighed(world, "1204.30", air=SEA)
    assert (last(world)["buoyancy_mg"], last(world)["marks"]) == ("0", [])
    post(world, first)

    weighed(world, "1204.30", AFTER, air=HIGH)

    found = last(world)
    low, high = (air_density(20, hpa * 100, 0.5) for hpa in (1013.25, 835))
    shift = 1204.3 * (buoyancy_factor(high, 2200.0) - buoyancy_factor(low, 2200.0))
    assert shift == pytest.approx(-0.084, abs=1e-3)
    assert float(found["buoyancy_mg"]) == pytest.approx(shift, abs=2e-6)
    assert (found["difference_mg"], found["marks"]) == (found["buoyancy_mg"], ["buoyancy_corrected"])
    rock, one = ufloat(2200, 400 / 3**0.5), (2 * (0.15**2 + 0.1**2 / 12)) ** 0.5
    up, down = (1204.3 * (1 - air / 8000) / (1 - air / rock) + ufloat(0, one) for air in (high, low))
    assert float(found["u_mg"]) == pytest.approx((up - down).std_dev, rel=1e-4)


def test_a_gross_takes_the_tare_of_its_container(world: Collection) -> None:
    """Net = gross - tare; u^2 = u_gross^2 + u_tare^2 with one load each, s^2 + d^2 / 12: B1 0.15 and 0.1, B3 0.003 and
    0.001 (demo.md T5)."""
    world.tell("cur", "TRP", "tared", VIAL, AT, mass="3920.200 mg", balance="B3", with_cap=True)
    weighing = weighed(world, None, AFTER, gross="5124.4 mg", with_cap=True)

    found = last(world)

    u2 = (0.15**2 + 0.1**2 / 12) + (0.003**2 + 0.001**2 / 12)
    assert (found["observed_mg"], found["difference_mg"], weighing["flags"]) == ("1204.2", "-0.1", [])
    assert float(found["u_mg"]) == pytest.approx((u2 + 2 * (0.15**2 + 0.1**2 / 12)) ** 0.5, abs=1e-5)
    budget = world.get("cur", f"items/{NUMBERS[CHIP]}/weighings/{weighing['id']}/budget")
    assert float(budget["u_mg"]) == pytest.approx(u2**0.5, abs=1e-5)
    post(world, weighing, AFTER)
    shown = world.get("cur", f"items/{NUMBERS[CHIP]}")
    assert shown["book"]["mass_mg"] == "1204.2"
    last(world)


def test_what_contradicts_a_tare_is_flagged_and_not_refused(world: Collection) -> None:
    """Trade.md, step 4 and case 51: no tare known; without the cap it was tared with; a tare, told or implied, that
    differs by more than 3 u; a vial that weighs otherwise than before."""
    assert weighed(world, None, gross="5124.4 mg")["flags"] == ["tare_unknown"]
    world.tell("cur", "TRP", "tared", VIAL, AT, mass="3920.20 mg", balance="B1", with_cap=True)
    assert weighed(world, None, AFTER, gross="5124.4 mg", with_cap=False)["flags"] == ["cap_differs"]
    told = weighed(world, "1204.2", AFTER, gross="5112.4 mg", tare="3908.2 mg")
    implied = weighed(world, "1204.2", AFTER, gross="5112.4 mg")
    assert told["flags"] == implied["flags"] == ["tare_differs"]
    assert weighed(world, "1204.2", AFTER, gross="5124.5 mg")["flags"] == []
    again = world.tell("cur", "TRP", "tared", VIAL, "2026-03-11T09:40:00Z", mass="3908.2 mg", balance="B1")
    assert again["flags"] == ["tare_differs"]
    weighed(world, None, "2026-03-11T09:50:00Z", gross="5112.4 mg")
    assert last(world)["observed_mg"] == "1204.2"
    world.tell("cur", "TRP", "weighed", CHIP, AT, gross="5124.4 mg", status=422)


def test_an_amended_tare_moves_the_weighings_that_took_it(world: Collection) -> None:
    """3920.2 was meant for 3902.2: the chip weighs 18 mg more than was thought; one hand may move so much only once
    somebody else has confirmed it (rulings 3)."""
    tared = world.tell("cur", "TRP", "tared", VIAL, AT, mass="3902.2 mg", balance="B1")
    weighed(world, None, AFTER, gross="5124.4 mg")
    assert last(world)["observed_mg"] == "1222.2"
    said: Json = {"mass": "3920.2 mg", "balance": "B1"}
    amended = world.tell("cur", "TRP", "tared", VIAL, AT, amends=tared["id"], told="2026-03-11T10:30:00Z", **said)
    assert last(world)["observed_mg"] == "1204.2"
    assert "unconfirmed" in amended["flags"]


def test_drying_settles_what_looked_like_water(world: Collection) -> None:
    """+1.3 % as found is likely water; after 48 h in dry gas it agrees, and that is the verdict of the two (trade.md
    2.3 and step 28; demo.md 7.4, 0017)."""
    world.tell("cur", "TRP", "registered", CHIP, "2026-03-10T12:11:00Z", item="sample", moisture_class="CM")
    post(world, weighed(world, "1204.3", dryness="equilibrated"))
    as_found = weighed(world, "1220.0", "2026-03-11T09:10:00Z", dryness="as_found")
    wet = last(world)
    assert (wet["verdict"], wet["next_step"], wet["marks"]) == ("likely_water", "re_dry", ["dryness_differs"])

    world.tell("cur", "TRP", "dried", CHIP, "2026-03-11T09:20:00Z", hours=48)
    dry = weighed(world, "1204.5", AFTER)

    assert (last(world)["verdict"], last(world)["marks"], last(world)["next_step"]) == ("agrees", [], None)
    rows = world.get("cur", "reports/mass-discrepancies")["items"]
    (row,) = [one for one in rows if one["event_id"] == as_found["id"]]
    assert (row["next_step"], row["re_dried_by"], row["re_dried_verdict"]) == (None, dry["id"], "agrees")
    then = world.get("cur", "reports/mass-discrepancies", as_of="2026-03-11T09:25:00Z")["items"]
    assert [one["next_step"] for one in then if one["event_id"] == as_found["id"]] == ["re_dry"]
