"""Institutions, people, places and balances of the scenario (demo.md T1 to T5)."""

from typing import Any

ZONE_UTC = "Etc/UTC"
INSTITUTIONS: list[dict[str, Any]] = [
    {"code": c, "name": n, "kind": k, "zone": z, "altitude_m": a}
    for c, n, k, z, a in [
        ("TRP", "Tarnhythe Repository for Planetary Materials", "lender", "Europe/London", 40),
        ("DVM", "Dunvarrick Museum of Earth Science", "deposit", "Europe/London", 85),
        ("TSI", "Tsukimorihama Isotope Institute", "borrower", "Asia/Tokyo", 20),
        ("MRL", "Marlstrand University, Organic Geochemistry Group", "borrower", "Australia/Adelaide", 60),
        ("SMP", "Sevrin Mesa Polytechnic, Noble Gas Laboratory", "borrower", "America/Denver", 1600),
        ("SEC", "Sankt Eldwig Microbeam Centre", "borrower", "Europe/Berlin", 120),
        ("LSC", "Lisgarth College, Powder Diffraction Group", "borrower", "America/Toronto", 100),
        ("SKI", "Skelverby Institute", "other", "America/Toronto", 110),
        ("QAI", "Quebrada Alzorca Tomography Institute", "borrower", "America/Santiago", 2400),
        ("CVH", "Corvenhall University", "requester", "Europe/Dublin", 30),
        ("CRK", "Courier K", "courier", ZONE_UTC, None),
        ("CRN", "Courier N", "courier", ZONE_UTC, None),
        ("BIA", "Border inspection A", "authority", "Australia/Adelaide", None),
        ("BIB", "Border inspection B", "authority", "America/Santiago", None),
    ]
]

#: What LSC and SKI were merged into; told of with the merger.
MERGED: dict[str, Any] = {
    "code": "LSU",
    "name": "Lisgarth-Skelverby University",
    "kind": "borrower",
    "zone": "America/Toronto",
    "altitude_m": 100,
}

#: Sign-in name, what they are, where, in which roles. No personal names, as in the scenario.
PEOPLE: list[tuple[str, str, str, tuple[str, ...]]] = [
    ("p01", "lead scientist", "TRP", ("curator", "reviewer")),
    ("p02", "curator", "TRP", ("curator",)),
    ("p03", "second curator, usual witness", "TRP", ("curator", "witness")),
    ("p04", "preparator", "TRP", ("preparator",)),
    ("p05", "shipping clerk", "TRP", ("clerk",)),
    ("p06", "registrar", "TRP", ("registrar", "administrator")),
    ("p07", "keeper, responsible person", "DVM", ("responsible", "receiver")),
    ("p08", "group head, responsible person", "TSI", ("responsible",)),
    ("p09", "analyst", "TSI", ("analyst", "receiver", "clerk")),
    ("p10", "group head, responsible person", "MRL", ("responsible", "clerk")),
    ("p11", "student analyst", "MRL", ("analyst", "receiver")),
    ("p12", "group head, responsible person", "SMP", ("responsible", "clerk")),
    ("p13", "analyst", "SMP", ("analyst", "receiver")),
    ("p14", "group head, responsible person", "SEC", ("responsible", "receiver")),
    ("p15", "group head, responsible person", "LSC", ("responsible", "receiver")),
    ("p16", "deputy, later responsible person", "LSC", ("deputy", "analyst", "clerk")),
    ("p17", "mail room", "LSC", ("mail_room",)),
    ("p18", "group head, responsible person", "QAI", ("responsible", "receiver")),
    ("p19", "student requester", "CVH", ("analyst",)),
    ("p20", "supervisor, responsible person", "CVH", ("responsible",)),
    ("p24", "auditor, external", "TRP", ("auditor",)),
    ("driver-k", "driver of courier K", "CRK", ("driver", "clerk")),
    ("driver-n", "hand-carriers of courier N", "CRN", ("driver",)),
    ("border-b", "officer of border inspection B", "BIB", ("receiver",)),
]

_ROOM = {"quantity": "temperature", "unit": "Cel", "lower": 15, "upper": 25}
_NITROGEN = [
    {"quantity": "frost_point", "unit": "Cel", "upper": -40},
    {"quantity": "oxygen", "unit": "[ppm]", "upper": 100},
]
#: T3, each behind those that it is as strict as; budgets in hours.
PROFILES: list[dict[str, Any]] = [
    {"code": "S", "what": "sections", "limits": [_ROOM, {"quantity": "relative_humidity", "unit": "%", "upper": 45}]},
    {
        "code": "D",
        "what": "dry cabinet, air",
        "limits": [_ROOM, {"quantity": "relative_humidity", "unit": "%", "upper": 15}],
        "decisive": "relative_humidity",
        "lifetime_budget_s": 720 * 3600,
        "single_budget_s": 48 * 3600,
        "as_strict_as": ["S"],
    },
    {
        "code": "N",
        "what": "dry nitrogen, room temperature",
        "limits": [_ROOM, *_NITROGEN],
        "decisive": "frost_point",
        "lifetime_budget_s": 72 * 3600,
        "single_budget_s": 8 * 3600,
        "as_strict_as": ["D", "S"],
    },
    {
        "code": "C",
        "what": "cold dry nitrogen",
        "limits": [{"quantity": "temperature", "unit": "Cel", "upper": -15}, *_NITROGEN],
        "decisive": "temperature",
        "lifetime_budget_s": 24 * 3600,
        "single_budget_s": 2 * 3600,
    },
]

PLACES: list[tuple[str, str, str, str]] = [
    ("TRP-V1", "TRP", "reserve vault, two locks", "N"),
    ("TRP-GB1", "TRP", "nitrogen glovebox and shelf", "N"),
    ("TRP-F1", "TRP", "freezer with nitrogen purge", "C"),
    ("TRP-SC1", "TRP", "section cabinet", "S"),
    ("DVM-V9", "DVM", "second-site vault", "N"),
    ("TSI-N1", "TSI", "nitrogen cabinet", "N"),
    ("MRL-F1", "MRL", "freezer", "C"),
    ("SMP-N1", "SMP", "nitrogen cabinet", "N"),
    ("SEC-S1", "SEC", "section desiccator", "S"),
    ("LSU-D1", "LSC", "dry cabinet", "D"),
    ("QAI-N1", "QAI", "nitrogen cabinet", "N"),
]

#: Code, site, kind, readability mg, repeatability mg, good until.
BALANCES: list[tuple[str, str, str, str, str, str]] = [
    ("B1", "TRP", "analytical, in glovebox", "0.1", "0.15", "2027-01-31"),
    ("B2", "TRP", "semi-micro", "0.01", "0.02", "2027-01-31"),
    ("B3", "TRP", "micro", "0.001", "0.003", "2027-01-31"),
    ("B4", "TRP", "precision", "1", "1.5", "2027-01-31"),
    ("B5", "SMP", "micro", "0.001", "0.004", "2026-12-15"),
    ("B6", "TSI", "semi-micro", "0.01", "0.025", "2027-03-31"),
    ("B7", "MRL", "analytical", "0.1", "0.2", "2026-11-30"),
    ("B8", "LSC", "semi-micro", "0.01", "0.03", "2026-04-30"),
    ("B9", "QAI", "precision", "1", "2", "2027-02-28"),
    ("B10", "DVM", "precision", "1", "1.5", "2026-06-30"),
]
