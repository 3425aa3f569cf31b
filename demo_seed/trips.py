"""The trips of demo.md T10 with the key events of T12, in the words of those who told them."""

from demo_seed.commands import recall, ship, turn_round
from demo_seed.material import PIECES, out, piece, registered, stored, weighed_and_posted
from demo_seed.steps import Step, fact


def packed_and_sealed(box: str, names: str, at: str, told: str, seals: list[str]) -> list[Step]:
    """Vials into a bag or jar and that into the overpack, sealed."""
    nest = names.split()
    steps: list[Step] = [
        fact(told, "p05", "TRP", "packed", inner, at, into=outer) for inner, outer in zip(nest, [*nest[1:], box], strict=True)
    ]
    return [*steps, fact(told, "p05", "TRP", "sealed", box, at, seals=seals)]


def t01() -> list[Step]:
    """L-01 out: scans told five days late, one of them three times; the receipt told first."""
    told, box = "2025-03-15T07:30:00Z", "P-01"
    return [
        ship("2025-03-07T09:00:00Z", "p05", "T-01", "TRP", "TSI", "CRK", box, "2025-03-14T12:00:00Z", "L-01"),
        *packed_and_sealed(box, "BRM-0010 G-01 J-01", "2025-03-10T08:40:00Z", told, ["S-1001", "S-1002"]),
        fact(told, "p05", "TRP", "released", box, "2025-03-10T10:05:00Z", to="CRK", shipment="T-01", name_="E-02", times_=3),
        fact(
            "2025-03-17T09:00:00Z", "p05", "TRP", "accepted", box, "2025-03-10T10:06:00Z",
            party="CRK", from_="TRP", shipment="T-01", name_="E-03", source_="carrier",
        ),
        fact(
            "2025-03-14T00:12:00Z", "p09", "TSI", "accepted", box, "2025-03-14T09:10:00+09:00",
            from_="CRK", shipment="T-01", name_="E-04",
        ),
        fact("2025-03-14T01:21:00Z", "p09", "TSI", "seen", "BRM-0010", "2025-03-14T01:20:00Z", name_="E-05"),
        *out("BRM-0010", "2025-03-14T01:10:00Z", "2025-03-14T01:20:00Z", "TSI-N1", "p09", "TSI"),
        fact(
            "2025-03-14T01:21:00Z", "p09", "TSI", "weighed", "BRM-0010", "2025-03-14T01:20:00Z",
            mass="1204.2 mg", balance="B6", name_="W-0010-receipt",
        ),
    ]


def l01_use_and_return() -> list[Step]:
    """Three uses at TSI, the way back, and the sawing note that explains most of the loss."""
    used = [("2025-04-14", "180.12"), ("2025-07-02", "201.44"), ("2025-09-30", "158.90")]
    steps: list[Step] = [
        fact(f"{day}T05:00:00Z", "p09", "TSI", "used", "BRM-0010", mass=f"{mass} mg", balance="B6", technique="isotopes")
        for day, mass in used
    ]
    return [
        *steps,
        ship("2026-02-26T02:00:00Z", "p09", "T-08", "TSI", "TRP", "CRK", "BRM-0010", "2026-03-05T18:00:00Z", "L-01"),
        fact("2026-02-27T06:00:00Z", "p09", "TSI", "released", "BRM-0010", to="CRK", shipment="T-08"),
        fact("2026-02-27T06:01:00Z", "driver-k", "CRK", "accepted", "BRM-0010", from_="TSI", shipment="T-08"),
        fact("2026-03-05T10:00:00Z", "p05", "TRP", "accepted", "BRM-0010", from_="CRK", shipment="T-08"),
        stored("BRM-0010", "2026-03-05T10:20:00Z", "TRP-GB1"),
        *weighed_and_posted("0010", "2026-03-05T11:00:00Z", "655.2", "B1", posted="2026-03-24T10:00:00Z"),
        fact(
            "2026-03-20T03:00:00Z", "p09", "TSI", "loss_noted", "BRM-0010", "2025-04-14T05:30:00Z",
            mass="8.1 mg", process="sawing", name_="M08-note",
        ),
    ]


def t02() -> list[Step]:
    """L-02 out: held at the border for four days, refilled late, and a decimal slip at the receipt."""
    box = "P-02"
    return [
        ship("2025-03-21T09:00:00Z", "p05", "T-02", "TRP", "MRL", "CRK", box, "2025-03-29T12:00:00Z", "L-02"),
        fact("2025-03-24T08:30:00Z", "p04", "TRP", "taken_out", "BRM-0011", "2025-03-24T08:05:00Z", place="TRP-F1", name_="E-06"),
        *packed_and_sealed(box, "BRM-0011 J-02", "2025-03-24T08:25:00Z", "2025-03-24T08:31:00Z", ["S-1003", "S-1004"]),
        fact("2025-03-24T09:16:00Z", "p05", "TRP", "released", box, "2025-03-24T09:15:00Z", to="CRK", shipment="T-02", name_="E-07"),
        fact("2025-03-24T09:16:30Z", "driver-k", "CRK", "accepted", box, "2025-03-24T09:15:00Z", from_="TRP", shipment="T-02"),
        fact("2025-03-26T08:00:00Z", "driver-k", "CRK", "held", box, "2025-03-26T03:20:00Z", authority="BIA", shipment="T-02", name_="E-08"),
        fact("2025-03-30T07:05:00Z", "driver-k", "CRK", "freed", box, "2025-03-30T06:40:00Z", authority="BIA", to="CRK", shipment="T-02", name_="E-09"),
        fact("2025-03-31T00:00:00Z", "driver-k", "CRK", "refilled", box, "2025-03-30T09:30:00Z", shipment="T-02", name_="E-10", words="dry ice"),
        fact("2025-04-01T00:46:00Z", "p11", "MRL", "accepted", box, "2025-04-01T11:15:00+10:30", from_="CRK", shipment="T-02", name_="E-11"),
        fact("2025-04-01T00:46:30Z", "p11", "MRL", "taken_out", "BRM-0011", "2025-04-01T00:45:00Z"),
        fact("2025-04-01T01:06:00Z", "p11", "MRL", "stored", "BRM-0011", "2025-04-01T01:05:00Z", place="MRL-F1", name_="E-12"),
        fact("2025-04-01T02:10:00Z", "p11", "MRL", "weighed", "BRM-0011", "2025-04-01T01:00:00Z", mass="51.2 mg", balance="B7", name_="E-13"),
        fact(
            "2025-04-02T23:30:00Z", "p10", "MRL", "weighed", "BRM-0011", "2025-04-01T01:00:00Z",
            mass="512.3 mg", balance="B7", name_="E-14", amends_="E-13", because_="decimal slip, printout attached",
        ),
    ]


def l02_use_and_return() -> list[Step]:
    """One use weighed, one estimated; handed over twenty minutes before the end of the day the clocks went back."""
    used = {"technique": "soluble organics"}
    return [
        fact("2025-05-20T03:00:00Z", "p11", "MRL", "used", "BRM-0011", mass="300.1 mg", balance="B7", **used),
        fact("2025-11-02T03:00:00Z", "p11", "MRL", "used", "BRM-0011", mass="100 mg", method="estimated", plus_minus="10 mg", **used),
        ship("2026-04-03T03:00:00Z", "p10", "T-10", "MRL", "TRP", "CRK", "BRM-0011", "2026-04-09T18:00:00Z", "L-02"),
        fact("2026-04-05T14:12:00Z", "driver-k", "CRK", "accepted", "BRM-0011", "2026-04-05T14:10:00Z", from_="MRL", shipment="T-10"),
        fact("2026-04-06T01:00:00Z", "p10", "MRL", "released", "BRM-0011", "2026-04-05T23:40:00+09:30", to="CRK", shipment="T-10", name_="E-30"),
        fact("2026-04-09T10:20:00Z", "p05", "TRP", "accepted", "BRM-0011", from_="CRK", shipment="T-10"),
        stored("BRM-0011", "2026-04-09T10:30:00Z", "TRP-F1"),
        *weighed_and_posted("0011", "2026-04-10T09:00:00Z", "105.33", "B2"),
    ]


def t03() -> list[Step]:
    """L-03 out: the receiver's phone runs thirteen minutes slow."""
    box = "P-03"
    return [
        ship("2025-03-28T09:00:00Z", "p05", "T-03", "TRP", "SMP", "CRK", box, "2025-04-04T00:00:00Z", "L-03"),
        *packed_and_sealed(box, "BRM-0012 J-03", "2025-03-31T11:00:00Z", "2025-03-31T11:05:00Z", ["S-1005", "S-1006"]),
        fact("2025-03-31T12:01:00Z", "p05", "TRP", "released", box, "2025-03-31T12:00:00Z", to="CRK", shipment="T-03"),
        fact("2025-03-31T12:02:00Z", "driver-k", "CRK", "accepted", box, "2025-03-31T12:00:00Z", from_="TRP", shipment="T-03"),
        fact("2025-04-03T18:00:00Z", "driver-k", "CRK", "released", box, "2025-04-03T16:09:00Z", to="SMP", shipment="T-03", name_="E-15", source_="carrier"),
        fact(
            "2025-04-03T16:11:20Z", "p13", "SMP", "accepted", box, "2025-04-03T15:58:18Z",
            from_="CRK", shipment="T-03", name_="E-16", source_="device", device_now_="2025-04-03T15:58:20Z",
        ),
        *out("BRM-0012", "2025-04-03T17:00:00Z", "2025-04-03T17:10:00Z", "SMP-N1", "p13", "SMP"),
        fact("2025-04-03T17:11:00Z", "p13", "SMP", "weighed", "BRM-0012", "2025-04-03T17:05:00Z", mass="86.209 mg", balance="B5", name_="W-0012-receipt"),
    ]


def l03_split_and_after() -> list[Step]:
    """Split on loan with numbers from a block; one part used up, one passed on, one back late."""
    at, told = "2025-06-20T19:00:00Z", "2025-06-20T19:20:00Z"
    parts = [piece("0021", "40.102", "B5"), piece("0022", "30.877", "B5"), piece("0023", "15.180", "B5")]
    steps: list[Step] = [registered(n, told, "p13", "SMP") for n in ("0021", "0022", "0023")]
    return [
        *weighed_and_posted("0012", "2025-06-20T18:00:00Z", "86.209", "B5", posted="2025-06-20T18:30:00Z"),
        *steps,
        fact(told, "p13", "SMP", "divided", "BRM-0012", at, children=parts, loss={"mass": "0.050 mg"}, ends=True, name_="E-17"),
        fact("2025-06-20T19:25:00Z", "p13", "SMP", "stored", "BRM-0021 BRM-0022 BRM-0023", place="SMP-N1"),
        fact("2025-07-04T17:00:00Z", "p13", "SMP", "used", "BRM-0021", mass="40.102 mg", balance="B5", technique="fusion", all=True),
        ship("2025-10-02T15:00:00Z", "p12", "T-07", "SMP", "TSI", "CRK", "BRM-0022", "2025-10-11T00:00:00Z", "L-08"),
        fact("2025-10-06T17:01:00Z", "p12", "SMP", "released", "BRM-0022", "2025-10-06T17:00:00Z", to="CRK", shipment="T-07", name_="E-24"),
        fact("2025-10-06T17:02:00Z", "driver-k", "CRK", "accepted", "BRM-0022", "2025-10-06T17:00:00Z", from_="SMP", shipment="T-07"),
        fact("2025-10-10T01:31:00Z", "p09", "TSI", "accepted", "BRM-0022", "2025-10-10T01:30:00Z", from_="CRK", shipment="T-07", name_="E-25"),
        fact("2025-10-10T01:32:00Z", "p09", "TSI", "weighed", "BRM-0022", "2025-10-10T01:30:00Z", mass="30.91 mg", balance="B6", name_="W-0022-receipt"),
        fact("2025-10-10T01:40:00Z", "p09", "TSI", "stored", "BRM-0022", place="TSI-N1"),
        ship("2026-10-27T15:00:00Z", "p12", "T-11", "SMP", "TRP", "CRK", "BRM-0023", "2026-11-02T18:00:00Z", "L-03"),
        fact("2026-10-28T20:01:00Z", "p12", "SMP", "released", "BRM-0023", "2026-10-28T20:00:00Z", to="CRK", shipment="T-11"),
        fact("2026-10-28T20:02:00Z", "driver-k", "CRK", "accepted", "BRM-0023", "2026-10-28T20:00:00Z", from_="SMP", shipment="T-11"),
        fact("2026-11-02T11:16:00Z", "p05", "TRP", "accepted", "BRM-0023", "2026-11-02T11:15:00Z", from_="CRK", shipment="T-11"),
        stored("BRM-0023", "2026-11-02T11:30:00Z", "TRP-GB1"),
        *weighed_and_posted("0023", "2026-11-03T10:00:00Z", "15.171", "B3"),
    ]


def t04() -> list[Step]:
    """L-04 out: the mail room signs three days before the laboratory."""
    return [
        ship("2025-05-05T09:00:00Z", "p05", "T-04", "TRP", "SEC", "CRK", "BRM-0014", "2025-05-10T12:00:00Z", "L-04"),
        fact("2025-05-07T09:31:00Z", "p05", "TRP", "released", "BRM-0014", "2025-05-07T09:30:00Z", to="CRK", shipment="T-04"),
        fact("2025-05-07T09:32:00Z", "driver-k", "CRK", "accepted", "BRM-0014", "2025-05-07T09:30:00Z", from_="TRP", shipment="T-04"),
        fact("2025-05-09T09:00:00Z", "driver-k", "CRK", "released", "BRM-0014", "2025-05-09T07:55:00Z", to="SEC/mail-room", shipment="T-04"),
        fact("2025-05-12T08:31:00Z", "p14", "SEC", "accepted", "BRM-0014", "2025-05-12T08:30:00Z", from_="SEC/mail-room", shipment="T-04"),
        stored("BRM-0014", "2025-05-12T08:40:00Z", "SEC-S1", "p14", "SEC"),
    ]


def t05() -> list[Step]:
    """L-05 out: only the jar scanned, two labels swapped, signed for in the wrong building."""
    told, box, four = "2025-04-23T10:31:00Z", "P-05", "BRM-0017 BRM-0018 BRM-0019 BRM-0020"
    seen = {"0017": "250.55", "0018": "248.88", "0019": "250.47", "0020": "251.20"}
    weighings: list[Step] = [
        fact("2025-04-30T18:05:00Z", "p16", "LSC", "weighed", f"P:BRM-{n}", "2025-04-30T18:00:00Z", mass=f"{m} mg", balance="B8", name_=f"W-{n}-receipt")
        for n, m in seen.items()
    ]
    labels = {"0017": "0017", "0018": "0019", "0019": "0018", "0020": "0020"}
    attached: list[Step] = [
        fact("2025-04-23T10:21:00Z", "p05", "TRP", "label_attached", f"P:BRM-{n}", "2025-04-23T10:20:00Z", to=f"V-{vial}", name_=f"T18-{n}")
        for n, vial in labels.items()
    ]
    return [
        *attached,
        ship("2025-04-22T09:00:00Z", "p05", "T-05", "TRP", "LSC", "CRK", box, "2025-04-30T00:00:00Z", "L-05"),
        fact(told, "p05", "TRP", "packed", four, "2025-04-23T10:30:00Z", into="J-05", name_="E-18"),
        *packed_and_sealed(box, "J-05", "2025-04-23T10:40:00Z", "2025-04-23T10:41:00Z", ["S-1007", "S-1008"]),
        fact("2025-04-23T13:01:00Z", "p05", "TRP", "released", box, "2025-04-23T13:00:00Z", to="CRK", shipment="T-05"),
        fact("2025-04-23T13:02:00Z", "driver-k", "CRK", "accepted", box, "2025-04-23T13:00:00Z", from_="TRP", shipment="T-05"),
        fact(
            "2025-05-02T13:00:00Z", "driver-k", "CRK", "accepted", box, "2025-04-29T14:20:00Z",
            party="LSC/mail-room", from_="CRK", shipment="T-05", name_="E-19", source_="carrier",
        ),
        fact("2025-04-30T15:06:00Z", "p15", "LSC", "accepted", box, "2025-04-30T15:05:00Z", from_="CRK", shipment="T-05", name_="E-20"),
        *(step for n in seen for step in out(f"P:BRM-{n}", "2025-04-30T18:00:00Z", "2025-04-30T18:20:00Z", "LSU-D1", "p16", "LSC")),
        *weighings,
    ]


def l05_use_and_return() -> list[Step]:
    """Uses by label as attached; two vials back; then the swap is understood and amended (M13, E-22, C-10)."""
    at = "2026-05-20T09:30:00Z"
    box = "P:BRM-0017 P:BRM-0019"
    amended: list[Step] = [
        fact(
            "2026-05-27T10:00:00Z", "p02", "TRP", "label_attached", f"P:BRM-{n}", "2025-04-23T10:20:00Z",
            to=f"V-{n}", amends_=f"T18-{n}", because_="labels were swapped at packing", name_=f"E-22-{n}",
        )
        for n in ("0018", "0019")
    ]
    return [
        fact("2026-02-10T15:00:00Z", "p16", "LSC", "used", "P:BRM-0019", mass="50.20 mg", balance="B8", technique="diffraction"),
        fact("2026-02-10T15:05:00Z", "p16", "LSC", "used", "P:BRM-0018", mass="100 mg", method="estimated", technique="diffraction"),
        ship("2026-05-14T12:00:00Z", "p16", "T-06", "LSC", "TRP", "CRK", box, "2026-05-20T18:00:00Z", "L-05"),
        fact("2026-05-15T18:01:00Z", "p16", "LSC", "released", box, "2026-05-15T18:00:00Z", to="CRK", shipment="T-06"),
        fact("2026-05-15T18:02:00Z", "driver-k", "CRK", "accepted", box, "2026-05-15T18:00:00Z", from_="LSC", shipment="T-06"),
        fact("2026-05-20T09:31:00Z", "p05", "TRP", "accepted", box, at, from_="CRK", shipment="T-06"),
        fact("2026-05-20T09:40:00Z", "p05", "TRP", "stored", box, place="TRP-GB1"),
        fact("2026-05-20T11:00:00Z", "p02", "TRP", "weighed", "P:BRM-0017", mass="253.41 mg", balance="B2", name_="W-0017-as-found"),
        *weighed_and_posted("0017", "2026-05-22T11:00:00Z", "250.31", "B2", posted="2026-05-22T18:00:00Z"),
        fact("2026-05-22T11:30:00Z", "p02", "TRP", "weighed", "P:BRM-0019", mass="199.87 mg", balance="B2", name_="W-0018-return"),
        *amended,
        *_posted_0018(),
    ]


def _posted_0018() -> list[Step]:
    from demo_seed.commands import post_mass

    return [post_mass("2026-05-28T09:00:00Z", "BRM-0018", "W-0018-return")]


def t09() -> list[Step]:
    """L-06 out, opened at the border, recalled on the way and turned round."""
    box = "P-09"
    told, at = "2026-08-14T12:00:00Z", "2026-08-13T13:00:00Z"
    return [
        ship("2026-08-07T09:00:00Z", "p05", "T-09", "TRP", "QAI", "CRK", box, "2026-08-16T12:00:00Z", "L-06"),
        *packed_and_sealed(box, "BRM-0008 J-08", "2026-08-10T09:30:00Z", "2026-08-10T09:35:00Z", ["S-1041", "S-1042"]),
        fact("2026-08-10T11:01:00Z", "p05", "TRP", "released", box, "2026-08-10T11:00:00Z", to="CRK", shipment="T-09"),
        fact("2026-08-10T11:02:00Z", "driver-k", "CRK", "accepted", box, "2026-08-10T11:00:00Z", from_="TRP", shipment="T-09"),
        recall("2026-08-12T09:00:00Z", "p02", "L-06", "2026-08-31", "new reserve decision"),
        fact(told, "border-b", "BIB", "held", box, at, authority="BIB", shipment="T-09", name_="E-27"),
        fact(told, "border-b", "BIB", "opened", box, at, shipment="T-09", words="inner jar seal S-1041 untouched"),
        fact(told, "border-b", "BIB", "sealed", box, at, seals=["CL-77310"], shipment="T-09"),
        fact(told, "border-b", "BIB", "freed", box, "2026-08-14T10:00:00Z", authority="BIB", to="CRK", shipment="T-09"),
        fact("2026-08-14T12:05:00Z", "driver-k", "CRK", "accepted", box, "2026-08-14T10:00:00Z", from_="BIB", shipment="T-09"),
        turn_round("2026-08-15T02:30:00Z", "driver-k", "T-09", "2026-08-15T02:00:00Z", "recalled by the consignor"),
        fact("2026-08-21T11:00:00Z", "p05", "TRP", "accepted", box, "2026-08-21T09:40:00Z", from_="CRK", shipment="T-09", name_="E-29"),
        stored("BRM-0008", "2026-08-21T11:10:00Z", "TRP-GB1"),
        *weighed_and_posted("0008", "2026-08-21T11:20:00Z", "30209", "B4"),
    ]


def t12() -> list[Step]:
    """The deposit: the reserve stone to the second site, carried by two people."""
    stone = "BRM-0002"
    return [
        ship("2025-03-01T09:00:00Z", "p05", "T-12", "TRP", "DVM", "CRN", stone, "2025-03-03T20:00:00Z", "D-01"),
        fact("2025-03-03T08:01:00Z", "p05", "TRP", "released", stone, "2025-03-03T08:00:00Z", to="CRN", shipment="T-12"),
        fact("2025-03-03T08:02:00Z", "driver-n", "CRN", "accepted", stone, "2025-03-03T08:00:00Z", from_="TRP", shipment="T-12"),
        fact("2025-03-03T14:31:00Z", "p07", "DVM", "accepted", stone, "2025-03-03T14:30:00Z", from_="CRN", shipment="T-12"),
        stored(stone, "2025-03-03T14:45:00Z", "DVM-V9", "p07", "DVM"),
        fact("2026-10-20T10:00:00Z", "p07", "DVM", "weighed", stone, mass="118649 mg", balance="B10", name_="K-6"),
    ]


def stocktakes() -> list[Step]:
    """What the holders' counts of autumn 2026 found (T14), as facts."""
    assert "0020" in PIECES
    return [
        fact("2026-09-30T15:30:00Z", "p16", "LSC", "not_seen", "BRM-0020", "2026-09-30T15:00:00Z", place="LSU-D1", name_="E-23"),
        fact("2026-10-02T03:00:00Z", "p09", "TSI", "seen", "BRM-0022", place="TSI-N1", name_="K-3"),
        fact("2026-10-05T17:00:00Z", "p13", "SMP", "seen", "BRM-0023", place="SMP-N1", name_="K-4"),
    ]
