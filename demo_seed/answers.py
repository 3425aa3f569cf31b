"""The known answers of the scenario (demo.md 7.3 to 7.5) that the service reaches so far, asked over HTTP."""

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from demo_seed.answers_conditions import conditions
from demo_seed.answers_mass import masses
from demo_seed.answers_reserve import requests
from demo_seed.answers_sensors import sensors
from demo_seed.asking import CURATOR, Known, every
from demo_seed.play import Player

#: Sees changes of roles too, which are their institution's matter.
AUDITOR = "p24"


def ask_all(player: Player) -> Iterator[Known]:
    """Every known answer, as it is asked."""
    for ask in (
        _holders,
        _clocks,
        _loans,
        _one_sided,
        _late,
        _second_person,
        _masses,
        masses,
        requests,
        sensors,
        conditions,
        _time_out,
    ):
        yield from ask(player)


def item(player: Player, number: str, as_of: str, known_on: str = "") -> Any:
    """An item at an instant, as known then or now."""
    moments = {"as_of": as_of} | ({"known_on": known_on} if known_on else {})
    return player.get(CURATOR, f"/v1/items/{player.named(number)}", **moments)


def holder(player: Player, number: str, as_of: str, known_on: str = "") -> tuple[Any, ...]:
    """Certain holder, claimed holder, state of the handover, and whether in store."""
    found = item(player, number, as_of, known_on)
    held = found["custody"]
    return held["certain"], held["claimed"], held["handover"], found["where"]["status"]


def _holders(player: Player) -> Iterator[Known]:
    noon = "2025-03-12T12:00:00Z"
    then = ("TRP", None, "agreed", "stored")
    yield Known(
        "A1",
        "holder of 0010 on 12 March, as known next day",
        then,
        holder(player, "BRM-0010", noon, "2025-03-13T00:00:00Z"),
    )
    now = ("TRP", "CRK", "giver_only", "in_transit")
    yield Known("A1", "the same, as known now", now, holder(player, "BRM-0010", noon))
    six = "2025-03-14T06:00:00Z"
    yield Known(
        "A2",
        "holder of 0010 on 14 March, as known then",
        ("TRP", "TSI", "taker_only"),
        holder(player, "BRM-0010", six, six)[:3],
    )
    yield Known("A2", "the same, as known now", ("TSI", None, "agreed"), holder(player, "BRM-0010", six)[:3])
    night = "2025-04-30T00:00:00Z"
    found = [holder(player, f"BRM-{n}", night)[:3] for n in ("0017", "0018", "0019", "0020")]
    yield Known("A14", "holder of the four vials on 30 April", [("CRK", "LSC/mail-room", "declared")] * 4, found)
    for as_of, expected in (("2025-10-09T12:00:00Z", ("SMP", "L-03")), ("2026-11-25T12:00:00Z", ("TSI", "L-08"))):
        line = item(player, "BRM-0022", as_of)["loan"]
        yield Known("A7", f"who owes 0022 on {as_of[:10]}", expected, (line["borrower"], line["loan"]))


def _clocks(player: Player) -> Iterator[Known]:
    told = player.get(CURATOR, f"/v1/events/{player.events['E-16']}")
    yield Known(
        "A4", "when 0012 was accepted, the phone set right", "2025-04-03T16:11:18Z", told["time"]["happened_at"]
    )
    held = holder(player, "BRM-0012", "2025-04-03T16:12:00Z")[:3]
    yield Known("A4", "and by whom it is held then", ("SMP", None, "agreed"), held)


def _loans(player: Player) -> Iterator[Known]:
    line = player.get(CURATOR, "/v1/loans/L-02")["lines"][0]
    minutes = (_at(line["due_at"]) - _at(line["handed_at"])).total_seconds() / 60
    yield Known("A5", "L-02 returned in time, minutes to spare", (True, 20), (line["in_time"], minutes))
    overdue = {
        r["item"]: (r["loan"], r["days_overdue"], r["uncovered_days"]) for r in every(player, "/v1/reports/overdue")
    }
    late = overdue.get(player.named("BRM-0019"))
    yield Known("A6", "0019 overdue: loan, days, days uncovered", ("L-05", 25, 47), late)
    yield from _l05(player)
    rows = every(player, "/v1/reports/outstanding-loans")
    soon = [(r["loan"], r["days_left"]) for r in rows if r["days_left"] is not None and 0 <= r["days_left"] <= 60]
    yield Known("A12", "due within 60 days", [("L-08", 36)], soon)
    for known_on, expected in (("2026-05-26T12:00:00Z", ["0017", "0019"]), ("", ["0017", "0018"])):
        moments = {"as_of": "2026-05-26T12:00:00Z"} | ({"known_on": known_on} if known_on else {})
        lines = player.get(CURATOR, "/v1/loans/L-05", **moments)["lines"]
        back = sorted(r["number"][4:8] for r in lines if r["state"] == "returned")
        yield Known("A22", f"returned by T-06, as known {known_on[:10] or 'now'}", expected, back)


def _l05(player: Player) -> Iterator[Known]:
    """A6, T2 and T9: whose the loan is since the merger (E-31), and who answers since the group head left (E-32)."""
    first = player.get(CURATOR, "/v1/loans/L-05", as_of="2026-05-01T12:00:00Z")["due_on"]
    yield Known("A6", "days since its first due date", 209, (date(2026, 11, 25) - date.fromisoformat(first)).days)
    now = player.get(CURATOR, "/v1/loans/L-05")
    blocked = next(line["dispatch_blocked_from"] for line in now["lines"] if line["number"][4:8] == "0019")
    yield Known("A6", "no dispatch from", "2026-11-30", blocked)
    for words, moments, owed_by, who, why in (
        ("now", {}, "LSU", "p16", "deputy"),
        ("on 20 June", {"as_of": "2026-06-20T12:00:00Z"}, "LSC", "p16", "deputy"),
        ("on 1 June", {"as_of": "2026-06-01T12:00:00Z"}, "LSC", "p15", "named"),
        (
            "on 2 July, as known then",
            dict.fromkeys(("as_of", "known_on"), "2026-07-02T12:00:00Z"),
            "LSC",
            "p15",
            "named",
        ),
    ):
        loan = player.get(CURATOR, "/v1/loans/L-05", **moments)
        found = (loan["borrower"], loan["owed_by"], loan["answers"]["person"], loan["answers"]["why"])
        yield Known("T9", f"who answers for L-05 {words}", ("LSC", owed_by, player.named(who), why), found)
    for as_of, expected in (("2026-06-30T12:00:00Z", ["LSC"]), ("2026-07-02T12:00:00Z", ["LSC", "LSU", "SKI"])):
        found_then = player.get(CURATOR, "/v1/institutions", q="Lisgarth", as_of=as_of)["items"]
        yield Known("T1", f"found by Lisgarth on {as_of[:10]}", expected, [one["code"] for one in found_then])
    after = player.get(CURATOR, "/v1/institutions/LSU")["predecessors"]
    yield Known("T1", "whose successor LSU is", ["LSC", "SKI"], after)
    heads = every(player, "/v1/people", AUDITOR, institution="LSU", role="responsible")
    yield Known("T2", "responsible at LSU", [player.named("p16")], [one["person"] for one in heads])


def _one_sided(player: Player) -> Iterator[Known]:
    for number, since, until, hours in (
        ("BRM-0010", "2025-03-10T00:00:00Z", "2025-03-15T00:00:00Z", 86 + 5 / 60),
        ("BRM-0011", "2025-03-24T00:00:00Z", "2025-04-02T00:00:00Z", 99 + 20 / 60),
    ):
        path = f"/v1/items/{player.named(number)}/one-sided"
        found = player.get(CURATOR, path, **{"from": since, "to": until})["total_s"]
        yield Known("A15", f"{number}: hours told by one side only", round(hours * 3600), found)


def _second_person(player: Player) -> Iterator[Known]:
    names = {event_id: name for name, event_id in player.events.items()}
    for told, known_on, expected in (
        ("E-14", "2025-04-02T23:35:00Z", ["E-14"]),
        ("E-22", "2026-05-27T10:01:00Z", ["E-22-0018", "E-22-0019"]),
        ("E-22", "2026-11-25T12:00:00Z", []),
    ):
        rows = every(player, "/v1/reports/unconfirmed", AUDITOR, known_on=known_on)
        found = sorted(names.get(row["event_id"], row["event_id"]) for row in rows)
        yield Known(told, f"awaits a second person on {known_on[:10]}", expected, found)


def _late(player: Player) -> Iterator[Known]:
    names = {event_id: name for name, event_id in player.events.items()}
    documents = {"institution": "E-31", "successor_told": "E-31", "role_changed": "E-32"}
    found = {
        names.get(r["event_id"]) or documents.get(r["kind"], r["kind"])
        for r in every(player, "/v1/reports/told-late", AUDITOR)
    }
    packing = {"packed", "sealed"}  # E-01 is four facts
    expected = packing | {"E-02", "E-03", "E-14", "E-19", "E-22-0018", "E-22-0019", "E-31", "E-32", "M08-note"}
    yield Known("A16", "told more than a day late", sorted(expected), sorted(found))


#: 7.4: weighing, difference in mg, verdict.
COMPARISONS = [
    ("W-0010-receipt", "-0.1", "agrees"),
    ("E-13", "-0.16", "agrees"),
    ("W-0012-receipt", "-0.005", "agrees"),
    ("W-0010-2026-03-05", "-0.54", "agrees"),
    ("W-0011-2026-04-10", "-7.03", "cannot_be_confirmed"),
    ("W-0017-as-found", "3.29", "likely_water"),
    ("W-0017-2026-05-22", "0.19", "likely_water"),
    ("W-0018-return", "-0.24", "loss_within_allowance"),
    ("W-0022-receipt", "0.033", "agrees"),
    ("W-0023-2026-11-03", "-0.009", "agrees"),
    ("W-0008-2026-08-21", "-5", "agrees"),
    ("W-0019-receipt", "0.16", "likely_water"),
    ("W-0018-receipt", "0.09", "agrees"),
    ("W-0016-2026-09-18", "-0.4", "agrees"),
    ("K-6", "-3", "agrees"),
]
#: 7.4 as it was known on a day before an amendment or a note.
EARLIER = [
    ("E-13", "2025-04-02T00:00:00Z", "-461.26", "likely_slip"),
    ("W-0010-2026-03-05", "2026-03-10T00:00:00Z", "-8.64", "unexplained_loss"),
    ("W-0018-return", "2026-05-26T00:00:00Z", "1.28", "likely_water"),
    ("W-0018-receipt", "2025-05-01T00:00:00Z", "-1.43", "loss_within_allowance"),
    ("W-0019-receipt", "2025-05-01T00:00:00Z", "1.68", "likely_water"),
]


def _masses(player: Player) -> Iterator[Known]:
    rows = _by_event(player)
    for name, difference, verdict in COMPARISONS:
        yield Known("7.4", f"{name}: difference mg, verdict", (difference, verdict), _verdict(rows, player, name))
    for name, known_on, difference, verdict in EARLIER:
        found = _verdict(_by_event(player, known_on=known_on), player, name)
        yield Known("7.4", f"{name} as known {known_on[:10]}", (difference, verdict), found)
    for name, known_on in (
        ("W-0018-receipt", "2025-05-01T00:00:00Z"),
        ("W-0019-receipt", "2025-05-01T00:00:00Z"),
        ("W-0018-return", "2026-05-26T00:00:00Z"),
    ):
        marks = _by_event(player, known_on=known_on)[player.events[name]]["marks"]
        yield Known("7.4", f"{name}: a swap suspected, as known {known_on[:10]}", True, "swap_suspected" in marks)
    marked = [event for event, r in rows.items() if "swap_suspected" in r["marks"]]
    yield Known("7.4", "and none, as known now", [], marked)
    lapsed = [event for event, r in rows.items() if "calibration_lapsed" in r["marks"]]
    yield Known("A21", "weighings on a lapsed calibration", [player.events["K-6"]], lapsed)


def _by_event(player: Player, **moments: str) -> dict[str, Any]:
    rows = every(player, "/v1/reports/mass-discrepancies", verdict="all", **moments)
    return {row["event_id"]: row for row in rows}


def _verdict(rows: dict[str, Any], player: Player, name: str) -> tuple[Any, ...] | None:
    row = rows.get(player.events[name])
    return (row["difference_mg"], row["verdict"]) if row else None


#: 7.3: before accession, and charged to each profile at least, in minutes. Of 0007 the sensor of the glovebox tells 90,
#: of 0011 the jar and the freezer nearly all.
WET, DRY = 159 * 60 + 18, 42 * 60 + 58
CHARGED = {
    "0001": (DRY, {"N": 105}),
    "0005": (WET, {"N": 240}),
    "0007": (DRY, {"N": 225}),
    "0010": (DRY, {"N": 145}),
    "0011": (DRY, {"C": 37 * 60 + 10, "N": 135}),
    "0012": (DRY, {"N": 145}),
    "0016": (DRY, {"N": 175}),
    **dict.fromkeys(("0017", "0018", "0019", "0020"), (DRY, {"D": 20, "N": 175})),
    **dict.fromkeys(("0021", "0022", "0023"), (DRY, {"N": 145})),
    "0024": (WET, {"N": 270}),
}


def _time_out(player: Player) -> Iterator[Known]:
    for number, (before, charged) in CHARGED.items():
        found = player.get(CURATOR, f"/v1/items/{player.named('BRM-' + number)}/time-out")
        under = {one["profile"]: one["at_least_s"] / 60 for one in found["charged"]}
        yield Known("7.3", f"{number}: minutes out by profile, at least", charged, under)
        yield Known("7.3", f"{number}: minutes before accession", before, found["before_accession_s"] / 60)
    cold = player.get(CURATOR, f"/v1/items/{player.named('BRM-0011')}/time-out")["charged"][0]
    lifetime = cold["lifetime"]
    shown = (cold["profile"], cold["at_most_s"] / 60, lifetime["state"], lifetime["warned_percent"])
    yield Known("7.3", "0011 under C: at most; its budget of 24 h", ("C", 39 * 60 + 55, "exceeded", 100), shown)
    over = (cold["at_least_s"] - lifetime["budget_s"]) / 60
    yield Known("7.3", "0011: minutes beyond its budget, at least", 13 * 60 + 10, over)
    cases = every(player, "/v1/cases", kind="exposure")
    found = sorted((case["what"], [one[4:8] for one in case["items"]]) for case in cases)
    allowed = ("24 h that it may be in its whole life", "2 h that it may be at one time")
    expected = [(f"Out of profile C for longer than the {budget}", ["0011"]) for budget in sorted(allowed)]
    yield Known("C-11", "cases that passed budgets opened", expected, found)
    for as_of, profile in (
        ("2025-01-20T14:39:00Z", None),
        ("2025-02-19T13:59:00Z", "N"),
        ("2025-02-19T14:00:00Z", "C"),
    ):
        number = "BRM-0011" if profile else "BRM-0001"
        shown = player.get(CURATOR, f"/v1/items/{player.named(number)}", as_of=as_of)["profile"]
        yield Known("T16", f"{number}: profile on {as_of[:16]}", profile, shown)


def _at(text: str) -> datetime:
    return datetime.fromisoformat(text)
