"""The known answers of the scenario about requests and the reserve: demo.md T8, 7.2 and A8."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from demo_seed.asking import CURATOR, Known
from demo_seed.play import Player

#: T8: status, granted in mg, cut in mg (None: as it is), whether less was granted than wanted.
REQUESTS: dict[str, tuple[str, str | None, str | None, bool]] = {
    "R-01": ("fulfilled", "1200", "1204.3", True),
    "R-02": ("fulfilled", "500", "512.46", True),
    "R-03": ("fulfilled", "85", "86.214", True),
    "R-04": ("fulfilled", None, "2881.7", False),
    "R-05": ("fulfilled", "1000", "1000.28", False),
    "R-06": ("fulfilled", None, "30214", False),
    "R-07": ("approved", "500", None, True),
    "R-08": ("refused", None, None, False),
    "R-09": ("in_review", None, None, False),
    "R-10": ("withdrawn", None, None, False),
}


def requests(player: Player) -> Iterator[Known]:
    """What became of each request, whether more can be approved, and who hears of it."""
    for code, expected in REQUESTS.items():
        yield Known("T8", f"{code}: status, granted, cut, reduced", expected, _request(player, code))
    yield from _headroom(player)
    yield from _refused(player)
    own = player.get("p20", "/v1/requests")["items"]
    found = sorted(name for name in REQUESTS if player.named(name) in {one["code"] for one in own})
    yield Known("T8", "requests that p20 hears of", ["R-07", "R-08", "R-09"], found)


def _request(player: Player, code: str) -> tuple[Any, ...]:
    found = player.get(CURATOR, f"/v1/requests/{player.named(code)}")
    granted, cut = (_sum(found["promises"], name) for name in ("mass_mg", "cut_mg"))
    return found["status"], granted, cut, found["reduced"]


def _sum(promises: list[Any], name: str) -> str | None:
    known = [Decimal(one[name]) for one in promises if one[name] is not None]
    return format(sum(known, Decimal()), "f") if known else None


def _ask(player: Player, **asked: str) -> Any:
    return player.get(CURATOR, "/v1/reports/headroom", collection="BRAITHMOSS", **asked)


def _headroom(player: Player) -> Iterator[Known]:
    found = _ask(player, sample=player.named("BRM-0003"), mass_mg="16000")
    names = ("accession_mg", "floor_mg", "reserve_mg", "headroom_mg", "below_floor")
    expected = ("486200", "340340", "354176", "13836", False)
    yield Known("7.2", "accession, floor, reserve, headroom in mg", expected, tuple(found[name] for name in names))
    yield Known(
        "A8", "can 16 g be split from 0003, and how much", (False, "13836"), (found["allowed"], found["largest_mg"])
    )
    promised = [(p["institution"], p["sample"], p["mass_mg"]) for p in found["promises"]]
    yield Known("7.2", "promised and not cut", [("CVH", player.named("BRM-0016"), "500")], promised)
    most = _ask(player, sample=player.named("BRM-0003"), mass_mg="13836")
    yield Known("A8", "can 13 836 mg", True, most["allowed"])
    then = _ask(player, as_of="2025-02-16T12:00:00Z", sample=player.named("BRM-0007"))
    yield Known("T8", "promised of 0007 before the chips were cut", "2785", then["sample_promised_mg"])
    powder = _ask(player, sample=player.named("BRM-0016"))
    yield Known("7.2", "free of 0016, mg", "2992.6", powder["largest_mg"])


def _refused(player: Player) -> Iterator[Known]:
    """An approval of what R-08 wanted, asked of the request that is still open."""
    grants = [{"sample": player.named("BRM-0003"), "mass_mg": "16000"}]
    status, found = player.refused(
        "p02", f"/v1/requests/{player.named('R-09')}/approve", {"grants": grants, "because": "to see it refused"}
    )
    said = (status, found["code"], "at most 13836 mg" in found["detail"])
    yield Known("R-08", "approving 16 g of 0003", (409, "more_than_headroom", True), said)
    effects = player.get(CURATOR, "/v1/reports/request-effects", collection="BRAITHMOSS")["effects"]
    pending = [(one["request"], one["institution"], one["wanted_mg"], one["least_mg"]) for one in effects]
    yield Known("R-09", "still in review", [(player.named("R-09"), "CVH", "100", "50")], pending)
