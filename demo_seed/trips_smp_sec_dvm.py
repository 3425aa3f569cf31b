"""The trips of loans L-03, L-04 and L-08 and of the deposit D-01 (demo.md T10, T12)."""

from demo_seed.commands import ship
from demo_seed.material import out, packed_and_sealed, piece, registered, stored, weighed_and_posted
from demo_seed.steps import Step, fact


def t03() -> list[Step]:
    """L-03 out: the receiver's phone runs thirteen minutes slow."""
    box = "P-03"
    return [
        ship("2025-03-28T09:00:00Z", "p05", "T-03", "TRP", "SMP", "CRK", box, "2025-04-04T00:00:00Z", "L-03"),
        *packed_and_sealed(box, "BRM-0012 J-03", "2025-03-31T11:00:00Z", "2025-03-31T11:05:00Z", ["S-1005", "S-1006"]),
        fact(f"2025-03-31T12:01:00Z p05 TRP released {box} @2025-03-31T12:00:00Z", to="CRK", shipment="T-03"),
        fact(f"2025-03-31T12:02:00Z driver-k CRK accepted {box} @2025-03-31T12:00:00Z", from_="TRP", shipment="T-03"),
        fact(
            f"2025-04-03T18:00:00Z driver-k CRK released {box} @2025-04-03T16:09:00Z",
            to="SMP",
            shipment="T-03",
            name_="E-15",
            source_="carrier",
        ),
        fact(
            f"2025-04-03T16:11:20Z p13 SMP accepted {box} @2025-04-03T15:58:18Z",
            from_="CRK",
            shipment="T-03",
            name_="E-16",
            source_="device",
            device_now_="2025-04-03T15:58:20Z",
        ),
        *out("BRM-0012", "2025-04-03T17:00:00Z", "2025-04-03T17:10:00Z", "SMP-N1", "p13", "SMP"),
        fact(
            "2025-04-03T17:11:00Z p13 SMP weighed BRM-0012 @2025-04-03T17:05:00Z",
            mass="86.209 mg",
            balance="B5",
            name_="W-0012-receipt",
        ),
    ]


def l03_split_and_after() -> list[Step]:
    """Split on loan with numbers from a block; one part used up, one passed on, one back late."""
    at, told = "2025-06-20T19:00:00Z", "2025-06-20T19:20:00Z"
    parts = [piece("0021", "40.102", "B5"), piece("0022", "30.877", "B5"), piece("0023", "15.180", "B5")]
    steps: list[Step] = [registered(n, told, "p13", "SMP") for n in ("0021", "0022", "0023")]
    return [
        *weighed_and_posted("0012", "2025-06-20T18:00:00Z", "86.209", "B5", posted="2025-06-20T18:30:00Z"),
        *steps,
        fact(
            f"{told} p13 SMP divided BRM-0012 @{at}", children=parts, loss={"mass": "0.050 mg"}, ends=True, name_="E-17"
        ),
        fact("2025-06-20T19:25:00Z p13 SMP stored BRM-0021 BRM-0022 BRM-0023", place="SMP-N1"),
        fact(
            "2025-07-04T17:00:00Z p13 SMP used BRM-0021", mass="40.102 mg", balance="B5", technique="fusion", all=True
        ),
        ship("2025-10-02T15:00:00Z", "p12", "T-07", "SMP", "TSI", "CRK", "BRM-0022", "2025-10-11T00:00:00Z", "L-08"),
        fact(
            "2025-10-06T17:01:00Z p12 SMP released BRM-0022 @2025-10-06T17:00:00Z",
            to="CRK",
            shipment="T-07",
            name_="E-24",
        ),
        fact("2025-10-06T17:02:00Z driver-k CRK accepted BRM-0022 @2025-10-06T17:00:00Z", from_="SMP", shipment="T-07"),
        fact(
            "2025-10-10T01:31:00Z p09 TSI accepted BRM-0022 @2025-10-10T01:30:00Z",
            from_="CRK",
            shipment="T-07",
            name_="E-25",
        ),
        fact(
            "2025-10-10T01:32:00Z p09 TSI weighed BRM-0022 @2025-10-10T01:30:00Z",
            mass="30.91 mg",
            balance="B6",
            name_="W-0022-receipt",
        ),
        fact("2025-10-10T01:40:00Z p09 TSI stored BRM-0022", place="TSI-N1"),
        ship("2026-10-27T15:00:00Z", "p12", "T-11", "SMP", "TRP", "CRK", "BRM-0023", "2026-11-02T18:00:00Z", "L-03"),
        fact("2026-10-28T20:01:00Z p12 SMP released BRM-0023 @2026-10-28T20:00:00Z", to="CRK", shipment="T-11"),
        fact("2026-10-28T20:02:00Z driver-k CRK accepted BRM-0023 @2026-10-28T20:00:00Z", from_="SMP", shipment="T-11"),
        fact("2026-11-02T11:16:00Z p05 TRP accepted BRM-0023 @2026-11-02T11:15:00Z", from_="CRK", shipment="T-11"),
        stored("BRM-0023", "2026-11-02T11:30:00Z", "TRP-GB1"),
        *weighed_and_posted("0023", "2026-11-03T10:00:00Z", "15.171", "B3"),
    ]


def t04() -> list[Step]:
    """L-04 out: the mail room signs three days before the laboratory."""
    return [
        ship("2025-05-05T09:00:00Z", "p05", "T-04", "TRP", "SEC", "CRK", "BRM-0014", "2025-05-10T12:00:00Z", "L-04"),
        fact("2025-05-07T09:31:00Z p05 TRP released BRM-0014 @2025-05-07T09:30:00Z", to="CRK", shipment="T-04"),
        fact("2025-05-07T09:32:00Z driver-k CRK accepted BRM-0014 @2025-05-07T09:30:00Z", from_="TRP", shipment="T-04"),
        fact(
            "2025-05-09T09:00:00Z driver-k CRK released BRM-0014 @2025-05-09T07:55:00Z",
            to="SEC/mail-room",
            shipment="T-04",
        ),
        fact(
            "2025-05-12T08:31:00Z p14 SEC accepted BRM-0014 @2025-05-12T08:30:00Z",
            from_="SEC/mail-room",
            shipment="T-04",
        ),
        stored("BRM-0014", "2025-05-12T08:40:00Z", "SEC-S1", "p14", "SEC"),
    ]


def t12() -> list[Step]:
    """The deposit: the reserve stone to the second site, carried by two people."""
    stone = "BRM-0002"
    return [
        ship("2025-03-01T09:00:00Z", "p05", "T-12", "TRP", "DVM", "CRN", stone, "2025-03-03T20:00:00Z", "D-01"),
        fact(f"2025-03-03T08:01:00Z p05 TRP released {stone} @2025-03-03T08:00:00Z", to="CRN", shipment="T-12"),
        fact(f"2025-03-03T08:02:00Z driver-n CRN accepted {stone} @2025-03-03T08:00:00Z", from_="TRP", shipment="T-12"),
        fact(f"2025-03-03T14:31:00Z p07 DVM accepted {stone} @2025-03-03T14:30:00Z", from_="CRN", shipment="T-12"),
        stored(stone, "2025-03-03T14:45:00Z", "DVM-V9", "p07", "DVM"),
        fact(f"2026-10-20T10:00:00Z p07 DVM weighed {stone}", mass="118649 mg", balance="B10", name_="K-6"),
    ]
