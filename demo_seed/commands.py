"""Decisions and documents of the scenario, as requests to the service."""

from typing import Any

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


def lend(told: str, who: str, code: str, borrower: str, lines: str, **terms: Any) -> Command:
    """A loan is signed."""
    words = {"code": code, "lender": "TRP", "borrower": borrower, "signed_at": told, **terms}
    return Command(told, who, "/v1/loans", {**words, "lines": [f"BRM-{n}" for n in lines.split()]})


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


def print_label(told: str, who: str, item: str) -> Command:
    """A label is printed."""
    return Command(told, who, f"/v1/items/{{{item}}}/labels", {})


def loans() -> list[Command]:
    """T9: what was lent to whom, and which due dates were granted since."""
    return [
        lend(
            "2025-02-28T10:00:00Z",
            "p02",
            "D-01",
            "DVM",
            "0002",
            responsible="p07",
            purpose="second-site deposit",
            zone="Europe/London",
        ),
        lend(
            "2025-03-06T10:00:00Z",
            "p02",
            "L-01",
            "TSI",
            "0010",
            responsible="p08",
            purpose="isotopes",
            zone="Asia/Tokyo",
            term_months=12,
        ),
        lend(
            "2025-03-20T10:00:00Z",
            "p02",
            "L-02",
            "MRL",
            "0011",
            responsible="p10",
            purpose="soluble organics",
            zone="Australia/Adelaide",
            term_months=6,
            returned_when="handed_to_carrier",
        ),
        due("2025-09-18T10:00:00Z", "p02", "L-02", "2026-04-05", because="asked on 2025-09-10"),
        lend(
            "2025-03-24T10:00:00Z",
            "p02",
            "L-03",
            "SMP",
            "0012",
            responsible="p12",
            purpose="noble gas",
            zone="America/Denver",
            term_months=18,
        ),
        lend(
            "2025-04-15T10:00:00Z",
            "p02",
            "L-05",
            "LSC",
            "0017 0018 0019 0020",
            responsible="p15",
            purpose="diffraction",
            zone="America/Toronto",
            term_months=12,
        ),
        due("2026-05-22T15:00:00Z", "p02", "L-05", "2026-10-31", because="asked the same day, after the date"),
        lend(
            "2025-04-30T10:00:00Z",
            "p02",
            "L-04",
            "SEC",
            "0014",
            responsible="p14",
            purpose="ion probe",
            zone="Europe/Berlin",
            term_months=24,
        ),
        lend(
            "2025-09-22T10:00:00Z",
            "p02",
            "L-08",
            "TSI",
            "0022",
            responsible="p08",
            purpose="isotopes",
            zone="Asia/Tokyo",
            due_on="2026-12-31",
        ),
        lend(
            "2026-07-30T10:00:00Z",
            "p02",
            "L-06",
            "QAI",
            "0008",
            responsible="p18",
            purpose="tomography",
            zone="America/Santiago",
            term_months=3,
        ),
    ]
