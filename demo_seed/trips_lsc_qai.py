"""The trips of loans L-05 and L-06, and the counts of autumn 2026 (demo.md T10, T12, T14)."""

from demo_seed.commands import post_mass, recall, ship, turn_round
from demo_seed.material import out, packed_and_sealed, stored, weighed_and_posted
from demo_seed.steps import Step, fact


def t05() -> list[Step]:
    """L-05 out: only the jar scanned, two labels swapped, signed for in the wrong building."""
    told, box, four = "2025-04-23T10:31:00Z", "P-05", "BRM-0017 BRM-0018 BRM-0019 BRM-0020"
    seen = {"0017": "250.55", "0018": "248.88", "0019": "250.47", "0020": "251.20"}
    weighings: list[Step] = [
        fact(
            f"2025-04-30T18:05:00Z p16 LSC weighed P:BRM-{n} @2025-04-30T18:00:00Z",
            mass=f"{m} mg",
            balance="B8",
            name_=f"W-{n}-receipt",
        )
        for n, m in seen.items()
    ]
    attached: list[Step] = [
        fact(
            f"2025-04-23T10:21:00Z p05 TRP label_attached P:BRM-{n} @2025-04-23T10:20:00Z",
            to=f"V-{n}",
            name_=f"T18-{n}",
        )
        for n in seen
    ]
    return [
        *attached,
        ship("2025-04-22T09:00:00Z", "p05", "T-05", "TRP", "LSC", "CRK", box, "2025-04-30T00:00:00Z", "L-05"),
        fact(f"{told} p05 TRP packed {four} @2025-04-23T10:30:00Z", into="J-05", name_="E-18"),
        *packed_and_sealed(box, "J-05", "2025-04-23T10:40:00Z", "2025-04-23T10:41:00Z", ["S-1007", "S-1008"]),
        fact(f"2025-04-23T13:01:00Z p05 TRP released {box} @2025-04-23T13:00:00Z", to="CRK", shipment="T-05"),
        fact(f"2025-04-23T13:02:00Z driver-k CRK accepted {box} @2025-04-23T13:00:00Z", from_="TRP", shipment="T-05"),
        fact(
            f"2025-05-02T13:00:00Z driver-k CRK accepted {box} @2025-04-29T14:20:00Z",
            party="LSC/mail-room",
            from_="CRK",
            shipment="T-05",
            name_="E-19",
            source_="carrier",
        ),
        fact(
            f"2025-04-30T15:06:00Z p15 LSC accepted {box} @2025-04-30T15:05:00Z",
            from_="CRK",
            shipment="T-05",
            name_="E-20",
        ),
        *(
            step
            for n in seen
            for step in out(f"P:BRM-{n}", "2025-04-30T18:00:00Z", "2025-04-30T18:20:00Z", "LSU-D1", "p16", "LSC")
        ),
        *weighings,
    ]


def l05_use_and_return() -> list[Step]:
    """Uses by label as attached; two vials back; then the swap is understood and amended (M13, E-22, C-10)."""
    at = "2026-05-20T09:30:00Z"
    box = "P:BRM-0017 P:BRM-0019"
    amended: list[Step] = [
        fact(
            f"2026-05-27T10:00:00Z p02 TRP label_attached P:BRM-{n} @2025-04-23T10:20:00Z",
            to=f"V-{vial}",
            amends_=f"T18-{n}",
            because_="labels were swapped at packing",
            name_=f"E-22-{n}",
        )
        for n, vial in (("0018", "0019"), ("0019", "0018"))
    ]
    amended += [fact(f"2026-05-27T10:05:00Z p03 TRP confirmed P:BRM-{n}", fact=f"#E-22-{n}") for n in ("0018", "0019")]
    return [
        fact("2026-02-10T15:00:00Z p16 LSC used P:BRM-0019", mass="50.20 mg", balance="B8", technique="diffraction"),
        fact(
            "2026-02-10T15:05:00Z p16 LSC used P:BRM-0018", mass="100 mg", method="estimated", technique="diffraction"
        ),
        ship(
            "2026-05-14T12:00:00Z",
            "p16",
            "T-06",
            "LSC",
            "TRP",
            "CRK",
            "BRM-0017 BRM-0019",
            "2026-05-20T18:00:00Z",
            "L-05",
        ),
        fact(f"2026-05-15T18:01:00Z p16 LSC released {box} @2026-05-15T18:00:00Z", to="CRK", shipment="T-06"),
        fact(f"2026-05-15T18:02:00Z driver-k CRK accepted {box} @2026-05-15T18:00:00Z", from_="LSC", shipment="T-06"),
        fact(f"2026-05-20T09:31:00Z p05 TRP accepted {box} @{at}", from_="CRK", shipment="T-06"),
        fact(f"2026-05-20T09:40:00Z p05 TRP stored {box}", place="TRP-GB1"),
        fact(
            "2026-05-20T11:00:00Z p02 TRP weighed P:BRM-0017", mass="253.41 mg", balance="B2", name_="W-0017-as-found"
        ),
        *weighed_and_posted("0017", "2026-05-22T11:00:00Z", "250.31", "B2", posted="2026-05-22T18:00:00Z"),
        fact("2026-05-22T11:30:00Z p02 TRP weighed P:BRM-0019", mass="199.87 mg", balance="B2", name_="W-0018-return"),
        *amended,
        *_posted_0018(),
    ]


def _posted_0018() -> list[Step]:
    return [post_mass("2026-05-28T09:00:00Z", "BRM-0018", "W-0018-return")]


def t09() -> list[Step]:
    """L-06 out, opened at the border, recalled on the way and turned round."""
    box = "P-09"
    told, at = "2026-08-14T12:00:00Z", "2026-08-13T13:00:00Z"
    return [
        ship("2026-08-07T09:00:00Z", "p05", "T-09", "TRP", "QAI", "CRK", box, "2026-08-16T12:00:00Z", "L-06"),
        *packed_and_sealed(box, "BRM-0008 J-08", "2026-08-10T09:30:00Z", "2026-08-10T09:35:00Z", ["S-1041", "S-1042"]),
        fact(f"2026-08-10T11:01:00Z p05 TRP released {box} @2026-08-10T11:00:00Z", to="CRK", shipment="T-09"),
        fact(f"2026-08-10T11:02:00Z driver-k CRK accepted {box} @2026-08-10T11:00:00Z", from_="TRP", shipment="T-09"),
        recall("2026-08-12T09:00:00Z", "p02", "L-06", "2026-08-31", "new reserve decision"),
        fact(f"{told} border-b BIB held {box} @{at}", authority="BIB", shipment="T-09", name_="E-27"),
        fact(f"{told} border-b BIB opened {box} @{at}", shipment="T-09", words="inner jar seal S-1041 untouched"),
        fact(f"{told} border-b BIB sealed {box} @{at}", seals=["CL-77310"], shipment="T-09"),
        fact(f"{told} border-b BIB freed {box} @2026-08-14T10:00:00Z", authority="BIB", to="CRK", shipment="T-09"),
        fact(f"2026-08-14T12:05:00Z driver-k CRK accepted {box} @2026-08-14T10:00:00Z", from_="BIB", shipment="T-09"),
        turn_round("2026-08-15T02:30:00Z", "driver-k", "T-09", "2026-08-15T02:00:00Z", "recalled by the consignor"),
        fact(
            f"2026-08-21T11:00:00Z p05 TRP accepted {box} @2026-08-21T09:40:00Z",
            from_="CRK",
            shipment="T-09",
            name_="E-29",
        ),
        stored("BRM-0008", "2026-08-21T11:10:00Z", "TRP-GB1"),
        *weighed_and_posted("0008", "2026-08-21T11:20:00Z", "30209", "B4"),
    ]


def stocktakes() -> list[Step]:
    """What the holders' counts of autumn 2026 found (T14), as facts."""
    return [
        fact("2026-09-30T15:30:00Z p16 LSC not_seen BRM-0020 @2026-09-30T15:00:00Z", place="LSU-D1", name_="E-23"),
        fact("2026-10-02T03:00:00Z p09 TSI seen BRM-0022", place="TSI-N1", name_="K-3"),
        fact("2026-10-05T17:00:00Z p13 SMP seen BRM-0023", place="SMP-N1", name_="K-4"),
    ]
