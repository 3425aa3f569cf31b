"""Decisions and documents of the scenario, as requests to the service."""

from typing import Any

from demo_seed import parties
from demo_seed.steps import Command


def ship(
    told: str,
    who: str,
    code: str,
    consignor: str,
    addressee: str,
    carrier: str,
    contents: str,
    expected: str,
    loan: str,
) -> Command:
    """A shipment is written down."""
    words = {"code": code, "consignor": consignor, "addressee": addressee, "carrier": carrier, "loan": loan}
    return Command(told, who, "/v1/shipments", {**words, "contents": contents.split(), "expected_by": expected})


def turn_round(told: str, who: str, code: str, at: str, because: str) -> Command:
    """A shipment goes back to its consignor."""
    return Command(told, who, f"/v1/shipments/{code}/turn-round", {"turned_at": at, "because": because})


def lend(line: str, purpose: str, **terms: Any) -> Command:
    """A loan is signed, in one line: when, its code, the borrower, who answers there, the zone, the samples."""
    signed, code, borrower, responsible, zone, *numbers = line.split()
    words = {"code": code, "lender": "TRP", "borrower": borrower, "responsible": responsible, "zone": zone}
    lines = [f"BRM-{n}" for n in numbers]
    return Command(
        signed, "p02", "/v1/loans", {**words, "signed_at": signed, "purpose": purpose, "lines": lines, **terms}
    )


def due(told: str, who: str, code: str, due_on: str, granted: str = "", because: str = "extended") -> Command:
    """A further due date is granted."""
    return Command(
        told, who, f"/v1/loans/{code}/due", {"due_on": due_on, "granted_at": granted or told, "because": because}
    )


def recall(told: str, who: str, code: str, by: str, because: str) -> Command:
    """A loan is called back."""
    return Command(told, who, f"/v1/loans/{code}/recall", {"due_on": by, "because": because})


def post_mass(told: str, item: str, weighing: str) -> Command:
    """The book of a sample is set to a weighing."""
    body = {"weighing": f"#{weighing}", "because": "reconciled with p03"}
    return Command(told, "p02", f"/v1/items/{{{item}}}/post-mass", body)


def rebase(told: str, item: str, weighing: str) -> Command:
    """A weighing takes the place of an estimate."""
    body = {"weighing": f"#{weighing}", "because": "weighed on taking in"}
    return Command(told, "p02", f"/v1/items/{{{item}}}/rebase", body)


def keep(told: str, item: str, profile: str, because: str, since: str = "") -> Command:
    """A sample is kept under another storage profile."""
    body = {"profile": profile, "from_at": since or told, "because": because}
    return Command(told, "p02", f"/v1/items/{{{item}}}/profile", body)


def profiles() -> list[Command]:
    """T16, beyond what samples inherit and what the place of their first storing keeps."""
    received, back = "2025-04-30T15:10:00Z", "2026-05-20T09:35:00Z"
    return [
        keep("2025-02-19T14:00:00Z", "BRM-0011", "C", "soluble organics are to stay cold"),
        *(keep("2025-04-22T09:04:00Z", f"BRM-{n}", "S", "in resin") for n in ("0014", "0015")),
        *(
            keep(received, f"BRM-{n}", "D", "kept in dry air by the borrower", "2025-04-30T15:05:00Z")
            for n in ("0017", "0018", "0019", "0020")
        ),
        *(keep(back, f"BRM-{n}", "N", "back in nitrogen", "2026-05-20T09:30:00Z") for n in ("0017", "0018")),
    ]


def check_budgets(told: str) -> Command:
    """Cases are opened for budgets that were passed."""
    return Command(told, "p02", "/v1/budget-checks", {"owner": "TRP"})


def print_label(told: str, who: str, item: str) -> Command:
    """A label is printed."""
    return Command(told, who, f"/v1/items/{{{item}}}/labels", {})


def loans() -> list[Command]:
    """T9: what was lent to whom, and which due dates were granted since."""
    handed = {"returned_when": "handed_to_carrier"}
    return [
        lend("2025-02-28T10:00:00Z D-01 DVM p07 Europe/London 0002", "second-site deposit"),
        lend("2025-03-06T10:00:00Z L-01 TSI p08 Asia/Tokyo 0010", "isotopes", term_months=12),
        lend("2025-03-20T10:00:00Z L-02 MRL p10 Australia/Adelaide 0011", "soluble organics", term_months=6, **handed),
        due("2025-09-18T10:00:00Z", "p02", "L-02", "2026-04-05", because="asked on 2025-09-10"),
        lend(
            "2025-03-24T10:00:00Z L-03 SMP p12 America/Denver 0012",
            "noble gas",
            term_months=18,
            confidential_until="2027-02-01",
        ),
        lend("2025-04-15T10:00:00Z L-05 LSC p15 America/Toronto 0017 0018 0019 0020", "diffraction", term_months=12),
        due("2026-05-22T15:00:00Z", "p02", "L-05", "2026-10-31", because="asked the same day, after the date"),
        lend("2025-04-30T10:00:00Z L-04 SEC p14 Europe/Berlin 0014", "ion probe", term_months=24),
        lend("2025-09-22T10:00:00Z L-08 TSI p08 Asia/Tokyo 0022", "isotopes", due_on="2026-12-31"),
        lend("2026-07-30T10:00:00Z L-06 QAI p18 America/Santiago 0008", "tomography", term_months=3),
    ]


def merger() -> list[Command]:
    """E-31 and E-32: two institutions become one, and the group head had left; both told weeks later (T1, T2)."""
    told, merged = "2026-07-20T10:00:00Z", "2026-07-01T04:00:00Z"
    taken_over = {"successor": "LSU", "from_at": merged, "because": "merged by both councils"}
    then = "2026-07-20T10:05:00Z"
    head = {"role": "responsible", "change": "grant"}
    founded = {**parties.MERGED, "valid_from": merged, "because": "founded by both councils"}
    return [
        Command(told, "p06", "/v1/institutions", founded),
        *(Command(told, "p06", f"/v1/institutions/{code}/successor", taken_over) for code in ("LSC", "SKI")),
        Command(then, "p16", "/v1/people/{p15}/leave", {"from_at": "2026-06-15T04:00:00Z"}),
        Command(
            then, "p06", "/v1/people/{p16}/roles", {**head, "institution": "LSC", "from_at": "2026-06-16T04:00:00Z"}
        ),
        Command(then, "p06", "/v1/people/{p16}/roles", {**head, "institution": "LSU", "from_at": merged}),
    ]
