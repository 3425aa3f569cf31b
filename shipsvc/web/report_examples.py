"""One row of each report, as the invented scenario of ``demo_seed`` has them, for the API description."""

from typing import Any, Final

Row = dict[str, Any]
AT: Final[Row] = {"as_of": "2026-11-25T12:00:00Z", "known_on": "2026-11-25T12:00:00Z", "provisional": True}

_LINE: Final[Row] = {
    "item": "BRM-0019-1",
    "what": "powder aliquot",
    "loan": "L-05",
    "lender": "TRP",
    "borrower": "LSC",
    "owed_by": "LSU",
    "line": "part_used",
    "line_since": "2026-02-10T15:05:00Z",
    "certain": "LSC",
    "certain_since": "2025-04-30T15:05:00Z",
    "claimed": None,
    "handover": "agreed",
    "place": "LSU-D1",
    "status": "stored",
    "due_on": "2026-10-31",
}
OUTSTANDING: Final[Row] = {**_LINE, "days_left": -25, "at_least_s": 9_300, "at_most_s": 644_400}
OVERDUE: Final[Row] = {**_LINE, "days_overdue": 25, "uncovered_days": 47}
HOLDING: Final[Row] = {
    "item": "BRM-0019-1",
    "what": "powder aliquot",
    "kind": "sample",
    "owner": "TRP",
    "held": "certain",
    "holder": "LSC",
    "answers": "LSU",
    "since": "2025-04-30T15:05:00Z",
    "certain": "LSC",
    "claimed": None,
    "handover": "agreed",
    "place": "LSU-D1",
    "status": "stored",
    "inside": "V-0008-S",
    "mass_mg": "148.79",
    "mass_known": "estimated",
    "loan": "L-05",
    "borrower": "LSC",
    "owed_by": "LSU",
    "due_on": "2026-10-31",
}
OPEN_HANDOVER: Final[Row] = {
    "item": "P-0001-C",
    "what": "overpack for Braithmoss",
    "state": "giver_only",
    "certain": "TRP",
    "certain_since": "2025-02-18T10:30:00Z",
    "claimed": "CRK",
    "since": "2025-03-10T10:05:00Z",
    "days_open": 3,
    "silent_sides": ["taker"],
    "waiting_for": ["CRK"],
    "ask": ["CRK"],
    "event_id": "01957f5e-0000-7000-8000-000000000002",
    "shipment": "T-01",
    "loan": "L-01",
    "contents": ["BRM-0010-J"],
}
SILENT_SHIPMENT: Final[Row] = {
    "shipment": "T-01",
    "consignor": "TRP",
    "addressee": "TSI",
    "answers": "TSI",
    "carrier": "CRK",
    "loan": "L-01",
    "expected_by": "2025-03-14T12:00:00Z",
    "silent_since": "2025-03-15T12:00:00Z",
    "last_word_at": "2025-03-10T10:06:00Z",
    "last_word": "accepted",
    "last_word_by": "CRK",
    "event_id": "01957f5e-0000-7000-8000-000000000003",
    "age_s": 525_240,
    "certain": ["CRK"],
    "claimed": [],
    "ask": ["CRK"],
    "items": ["P-0001-C"],
}
TIME_OUT: Final[Row] = {
    "item": "BRM-0010-J",
    "what": "chip",
    "owner": "TRP",
    "certain": "TRP",
    "claimed": None,
    "place": "TRP-GB1",
    "status": "stored",
    "at_least_s": 8_700,
    "at_most_s": 321_600,
    "longest_at_least_s": 5_400,
    "longest_at_most_s": 312_900,
    "before_accession_s": 0,
}
DISCREPANCY: Final[Row] = {
    "item": "BRM-0010-J",
    "what": "chip",
    "of": "weighing",
    "event_id": "01957f5e-0000-7000-8000-000000000004",
    "happened_at": "2026-03-05T11:00:00Z",
    "by_party": "TRP",
    "balance": "B1",
    "method": "weighed",
    "dryness": None,
    "book_mg": "663.84",
    "observed_mg": "655.2",
    "difference_mg": "-8.64",
    "u_mg": "0.305532",
    "r": -28.278,
    "e_n": None,
    "buoyancy_mg": "0",
    "verdict": "unexplained_loss",
    "next_step": None,
    "re_dried_by": None,
    "re_dried_verdict": None,
    "settled_by": None,
    "marks": [],
}
TOLD_LATE: Final[Row] = {
    "event_id": "01957f5e-0000-7000-8000-000000000002",
    "kind": "released",
    "amends": None,
    "amended_kind": None,
    "about": ["P-0001-C"],
    "happened_at": "2025-03-10T10:05:00Z",
    "recorded_at": "2025-03-15T07:30:00Z",
    "late_s": 422_700,
    "limit_s": 86_400,
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
    "acting_for": "TRP",
    "party": None,
}
UNCONFIRMED: Final[Row] = {
    "event_id": "01957f5e-0000-7000-8000-000000000007",
    "kind": "amended",
    "amends": "01957f5e-0000-7000-8000-000000000002",
    "amended_kind": "label_attached",
    "about": ["BRM-0018-3"],
    "why": "it is told of other things than before",
    "happened_at": "2025-04-23T10:20:00Z",
    "recorded_at": "2026-05-27T10:00:00Z",
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
    "acting_for": "TRP",
}
ONE_DEVICE: Final[Row] = {
    "event_id": "01957f5e-0000-7000-8000-000000000009",
    "about": ["P-01-K"],
    "happened_at": "2025-03-10T10:06:00Z",
    "recorded_at": "2025-03-10T10:06:04Z",
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
    "acting_for": "TRP",
    "party": "CRK",
    "how": "drawn",
    "counts": True,
}


def report(row: Row) -> Row:
    """A report of one row."""
    return {**AT, "next": None, "items": [row]}
