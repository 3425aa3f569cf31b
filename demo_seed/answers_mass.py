"""The known answers of the scenario about masses: demo.md 7.2, 7.6, M02, A3 and A9 to A11."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from demo_seed.asking import CURATOR, Known, every
from demo_seed.play import Player

#: 7.2 in mg, by the lines of the balance.
WHOLE = {
    "opening": "0",
    "received": "495000",
    "rebased": "-8800",
    "used_weighed": "930.862",
    "used_estimated": "200",
    "worked_loss": "76.176",
    "embedded": "2881.7",
    "written_off": "0",
    "unexplained": "16.594",
    "closing": "482094.668",
}
#: Where 7.2 says that the rest is, in mg.
PLACES = {
    "reserve in the lender's vault": ("235524", "0003 0004 0006"),
    "reserve at the second site": ("118652", "0002"),
    "working in the lender's store": ("126262.06", "0005 0007 0008 0009 0016 0024 0025 0026 0027 0028"),
    "returned residues": ("1225.881", "0010 0011 0017 0018 0023"),
    "on loan, weighed": ("30.877", "0022"),
    "on loan, estimated": ("148.79", "0019"),
    "not located": ("251.06", "0020"),
}


def masses(player: Player) -> Iterator[Known]:
    """The questions about masses."""
    yield from _whole(player)
    yield from _drift(player)
    yield from _family(player)
    yield from _section(player)
    yield from _told(player)
    (row,) = every(player, "/v1/reports/reserve", collection="BRAITHMOSS", take="16 g")
    found = (row["allowed"], row["headroom_mg"], row["reserve_mg"], row["floor_mg"])
    yield Known("A8", "can 16 g go from the reserve: headroom mg", (False, "13836", "354176", "340340"), found)


def _lines(player: Player, **asked: str) -> dict[str, Any]:
    return {row["line"]: row["mass_mg"] for row in every(player, "/v1/reports/material-balance", **asked)}


def _whole(player: Player) -> Iterator[Known]:
    lines = _lines(player, collection="BRAITHMOSS")
    yield Known("7.2", "where the whole accession is", WHOLE, {name: lines[name] for name in WHOLE})
    out = ("used_weighed", "used_estimated", "worked_loss", "embedded", "written_off", "unexplained", "closing")
    whole = sum(Decimal(lines[name]) for name in out)
    yield Known("7.2", "all of it together, mg", Decimal(486_200), whole)
    by_line = -sum(Decimal(row["difference_mg"]) for row in every(player, "/v1/reports/drift"))
    yield Known("7.2", "unexplained, by the lines of verdicts", Decimal("16.594"), by_line)
    for what, (mass, numbers) in PLACES.items():
        books = (player.get(CURATOR, f"/v1/items/{player.named(f'BRM-{n}')}")["book"] for n in numbers.split())
        yield Known("7.2", what, Decimal(mass), sum(Decimal(book["mass_mg"]) for book in books))
    found = _lines(player, family=player.named("BRM-0001"), to="2025-01-27T13:30:00Z")
    yield Known("M02", "stone 1 when weighed: by how much more than guessed", "1408", found["rebased"])


def _drift(player: Player) -> Iterator[Known]:
    stock = player.named("BRM-0016")
    (row,) = (row for row in every(player, "/v1/reports/drift") if row["item"] == stock)
    told = (row["difference_mg"], round(float(row["u_mg"]), 3), round(row["r"], 1), row["steps"], row["alarm"])
    yield Known("A9", "is 0016 losing mass: mg, u, r, steps, alarm", ("-2.26", 0.316, -7.2, 6, "both"), told)
    yield Known("7.6", "where the chart ends", 4.35, round(row["chart_low"], 2))
    for by in ("family", "holder", "balance", "person", "operation"):
        rows = every(player, "/v1/reports/drift", by=by)
        whole = -sum(Decimal(row["difference_mg"]) for row in rows)
        yield Known("7.2", f"unexplained, by {by}", Decimal("16.594"), whole)
    opened = [
        one for one in every(player, "/v1/cases", kind="mass") if stock in one["items"] and one["rule"] == "drift"
    ]
    said = [
        line
        for one in opened
        for words in (one["what"], *(e["what"] for e in one["entries"]))
        for line in words.splitlines()
    ]
    sums = [line.split(": ")[1].split(" mg")[0] for line in said if line.startswith(f"Sample {stock}: ")]
    found = (len(opened), opened[0]["state"], opened[0]["internal"], sums[-1])
    yield Known("C-12", "the one case that this opened, and how far it came", (1, "open", True, "-2.26"), found)


def _section(player: Player) -> Iterator[Known]:
    found = player.get(CURATOR, f"/v1/items/{player.named('BRM-0014')}/section")
    told = (found["area_mm2"], found["left_mm2"], found["thickness_um"], found["since"])
    yield Known("T5", "0014 by area and thickness", ("126", "126", "150", "2025-04-22T09:00:01Z"), told)


def _family(player: Player) -> Iterator[Known]:
    found = player.get(CURATOR, f"/v1/items/{player.named('BRM-0024')}/family")
    shares = [(one["number"][4:8], one["share"]["percent"], [n[4:8] for n in one["via"]]) for one in found["origins"]]
    yield Known("A10", "what 0024 is made of", [("0005", "80.00", []), ("0001", "20.00", ["0009"])], shares)
    lines = _lines(player, family=player.named("BRM-0001"))
    used = (lines["used_weighed"], lines["used_estimated"])
    yield Known("A11", "used of stone 1's family: weighed, estimated", ("930.862", "200"), used)
    mixture = next(one for one in found["members"] if one["number"] == player.named("BRM-0024"))
    from_it = (mixture["used_weighed_mg"], mixture["used_estimated_mg"])
    yield Known("A11", "and of the mixture 0024", ("0", "0"), from_it)


def _told(player: Player) -> Iterator[Known]:
    for known_on, expected in (("2025-04-01T12:00:00Z", ("51.2", "likely_slip")), ("", ("512.3", "agrees"))):
        moments = {"as_of": "2025-04-02T00:00:00Z"} | ({"known_on": known_on} if known_on else {})
        rows = every(player, "/v1/reports/mass-discrepancies", verdict="all", **moments)
        told = next(row for row in rows if row["event_id"] == player.events["E-13"])
        found = (told["observed_mg"], told["verdict"])
        yield Known("A3", f"mass of 0011 at MRL, as known {known_on[:10] or 'now'}", expected, found)
    weighing = player.events["W-0012-receipt"]
    budget = player.get(CURATOR, f"/v1/items/{player.named('BRM-0012')}/weighings/{weighing}/budget")
    shifts = (round(float(budget["shift_mg"]), 3), round(float(budget["difference_u_mg"]), 4))
    yield Known("7.4", "0012 at SMP: shift by altitude alone, u of the difference", (0.006, 0.0071), shifts)
    (line,) = every(player, "/v1/loans/L-01/reconciliation")
    told_of = [line[f"{name}_mg"] for name in ("sent", "received", "used_weighed", "worked_loss", "returned")]
    yield Known("T9", "L-01 line by line", ["1204.3", "1204.2", "540.46", "8.1", "655.2"], told_of)
    difference = (line["returned_difference_mg"], line["returned_verdict"])
    yield Known("7.4", "L-01 on return, after the note of the sawing", ("-0.54", "agrees"), difference)
