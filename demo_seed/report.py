"""The readable report at the end of the demo: what a curator would ask first."""

from collections.abc import Callable, Sequence
from typing import Any

from demo_seed.asking import Known, every
from demo_seed.play import Player

Say = Callable[[str], None]


def table(say: Say, title: str, heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """A titled table in columns; says so where there is nothing."""
    say("")
    say(title)
    if not rows:
        say("  none")
        return
    cells = [[_text(cell) for cell in row] for row in [heads, *rows]]
    widths = [max(len(row[i]) for row in cells) for i in range(len(heads))]
    for row in cells:
        say("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def _text(cell: Any) -> str:
    return "-" if cell is None or cell == "" else str(cell)


def hours(seconds: float) -> str:
    """A duration as hours and minutes."""
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02} min"


def report(player: Player, say: Say) -> None:
    """What is out, overdue, open, does not add up, and was told late."""
    _loans(player, say)
    _custody(player, say)
    _masses(player, say)


def _loans(player: Player, say: Say) -> None:
    rows = every(player, "/v1/reports/outstanding-loans")
    heads = ("item", "loan", "with", "since", "where", "due", "days left", "out at least", "out at most")
    out = [
        (
            r["item"],
            r["loan"],
            r["certain"],
            _day(r["certain_since"]),
            r["place"],
            r["due_on"],
            r["days_left"],
            hours(r["at_least_s"]),
            hours(r["at_most_s"]),
        )
        for r in rows
    ]
    table(say, "Outstanding loans", heads, out)
    rows = every(player, "/v1/reports/overdue")
    late = [
        (r["item"], r["loan"], r["borrower"], r["owed_by"], r["due_on"], r["days_overdue"], r["uncovered_days"])
        for r in rows
    ]
    table(
        say, "Overdue returns", ("item", "loan", "borrower", "owed by", "due", "days overdue", "days uncovered"), late
    )


def _custody(player: Player, say: Say) -> None:
    rows = every(player, "/v1/reports/open-handovers")
    open_ = [(r["item"], r["certain"], r["claimed"], r["state"], _day(r["since"]), r["days_open"]) for r in rows]
    table(say, "Open handovers", ("item", "certain", "claimed", "state", "since", "days open"), open_)
    rows = every(player, "/v1/reports/silent-shipments")
    silent = [(r["shipment"], r["consignor"], r["addressee"], _day(r["last_word_at"]), r["last_word"]) for r in rows]
    table(say, "Shipments without word", ("shipment", "from", "to", "last word", "which"), silent)
    rows = every(player, "/v1/reports/told-late")
    late = [
        (r["kind"], " ".join(r["about"][:3]), r["acting_for"], _day(r["happened_at"]), hours(r["late_s"])) for r in rows
    ]
    table(say, "Told more than a day late", ("fact", "about", "told for", "happened", "late by"), late)


def _masses(player: Player, say: Say) -> None:
    rows = every(player, "/v1/reports/mass-discrepancies")
    found = [
        (r["item"], _day(r["happened_at"]), r["book_mg"], r["observed_mg"], r["difference_mg"], r["u_mg"], r["verdict"])
        for r in rows
    ]
    heads = ("item", "weighed", "book mg", "observed mg", "difference mg", "u mg", "verdict")
    table(say, "Masses that do not simply agree", heads, found)
    rows = every(player, "/v1/reports/material-balance", collection="BRAITHMOSS")
    balance = [(r["line"], r["mass_mg"], r["u_mg"], r["samples"]) for r in rows]
    table(say, "Where the mass of the collection went", ("line", "mg", "u mg", "samples"), balance)
    rows = every(player, "/v1/reports/drift")
    drift = [(r["item"], r["steps"], r["difference_mg"], r["u_mg"], _short(r["r"]), r["alarm"]) for r in rows]
    table(say, "What postings add up to", ("item", "steps", "difference mg", "u mg", "r", "alarm"), drift)


def _short(ratio: float | None) -> str | None:
    return None if ratio is None else f"{ratio:.1f}"


def _day(text: str | None) -> str | None:
    return text[:10] if text else None


def check(known: Sequence[Known], say: Say) -> int:
    """Compare with the known answers; the number of differences."""
    wrong = [k for k in known if not k.agrees]
    for k in wrong:
        say(f"DIFFERS  {k.name}: {k.question}\n  expected {k.expected}\n  found    {k.found}")
    say(f"{len(known) - len(wrong)} of {len(known)} known answers agree")
    return len(wrong)
