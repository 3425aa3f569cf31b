"""The known answers about what samples were exposed to (demo.md 7.3, T11, A20), asked over HTTP."""

from collections.abc import Iterator

from demo_seed.asking import CURATOR, Known, every
from demo_seed.play import Player


def conditions(player: Player) -> Iterator[Known]:
    """Excursions of loggers, the cold trip, and who was in the bad air."""
    yield from _loggers(player)
    yield from _cold_trip(player)
    yield from _bad_air(player)
    yield from _time_out(player)
    yield from _open_tray(player)
    yield from _late_file(player)


def _time_out(player: Player) -> Iterator[Known]:
    """Under N and C together: 2 h 15 min, and 37 h 10 min to 39 h 55 min."""
    found = player.get(CURATOR, f"/v1/items/{player.named('BRM-0011')}/time-out")
    told = (found["at_least_s"] / 60, found["at_most_s"] / 60)
    yield Known("7.3", "0011: minutes out, at least and at most", (135 + 37 * 60 + 10, 135 + 39 * 60 + 55), told)


def _loggers(player: Player) -> Iterator[Known]:
    (warm,) = every(player, "/v1/reports/excursions", source="LG-101", profile="C")
    found = (warm["start"], warm["end"], warm["peak"], warm["counts"])
    expected = ("2025-03-29T02:10:00Z", "2025-03-30T09:30:00Z", 11.4, "certain")
    yield Known("T11", "LG-101 above -15 °C", expected, found)
    told = ("quantity", "start", "end", "peak")
    (leak,) = every(player, "/v1/reports/excursions", source="PS-TRP-GB1", profile="N")
    oxygen = ["oxygen", "2025-06-08T02:00:00Z", "2025-06-08T03:30:00Z", 180.0]
    yield Known("T11", "PS-TRP-GB1 beyond the limits of N", oxygen, [leak[name] for name in told])
    for logger in ("LG-090", "LG-201", "LG-301"):
        wrong = every(player, "/v1/reports/excursions", source=logger, profile="N")
        yield Known("T11", f"{logger}: excursions from N", [], wrong)


def _cold_trip(player: Player) -> Iterator[Known]:
    (cold,) = player.get(CURATOR, "/v1/shipments/T-02/conditions")["samples"]
    known = {"proven_out_s": 31 * 60 + 20, "indirect_s": 2 * 60 + 40}
    found = {name: cold[name] / 60 for name in known}
    yield Known("T-02", "did 0011 stay cold: minutes proven out, and told by the box alone", known, found)
    jar = next(one for one in cold["sources"] if one["source"] == "LG-101")
    box = next(one for one in cold["sources"] if one["source"] == "LG-102")
    yield Known(
        "T-02", "the jar's logger counts, the box's does not", (True, 0), (jar["counts_s"] > 0, box["counts_s"])
    )


def _bad_air(player: Player) -> Iterator[Known]:
    window = {"since": "2025-06-08T02:00:00Z", "until": "2025-06-08T03:30:00Z"}
    there = every(player, "/v1/reports/place-incident", place="TRP-GB1", **window)
    exposed = [
        (row["item"], row["exposed_at_least_s"] / 60, row["children"]) for row in there if row["exposed"] != "no"
    ]
    yield Known("A20", "what was in GB1's bad air", [(player.named("BRM-0007"), 90.0, [])], exposed)
    yield Known(
        "A20", "what else was there was closed", {"yes"}, {row["closed"] for row in there if row["exposed"] == "no"}
    )


def _open_tray(player: Player) -> Iterator[Known]:
    """3 h 45 min: as stone 1, half an hour of chipping, and the ninety minutes of bad air on the open tray."""
    found = player.get(CURATOR, f"/v1/items/{player.named('BRM-0007')}/time-out")
    under = {one["profile"]: one["at_least_s"] / 60 for one in found["charged"]}
    yield Known("7.3", "0007: minutes out by profile, at least", {"N": 225}, under)


def _late_file(player: Player) -> Iterator[Known]:
    """What was known of 0011 before its loggers were read out, and what is known now."""
    asked = {"source": "LG-101", "before": "2025-04-01T03:00:00Z"}
    changed = [row for row in every(player, "/v1/reports/exposure-changes", **asked) if row["changed"]]
    found = [(row["item"], row["was_at_least_s"] / 60, row["at_least_s"] / 60) for row in changed]
    expected = [(player.named("BRM-0011"), 135 + 40, 135 + 37 * 60 + 10)]
    yield Known("T-02", "what LG-101 changed, told late: minutes out before and after", expected, found)
