"""The trips of loans L-01 and L-02 (demo.md T10, T12)."""

from demo_seed.commands import ship
from demo_seed.material import out, packed_and_sealed, stored, weighed_and_posted
from demo_seed.steps import Step, fact


def t01() -> list[Step]:
    """L-01 out: scans told five days late, one of them three times; the receipt told first."""
    told, box = "2025-03-15T07:30:00Z", "P-01"
    return [
        ship("2025-03-07T09:00:00Z", "p05", "T-01", "TRP", "TSI", "CRK", box, "2025-03-14T12:00:00Z", "L-01"),
        *packed_and_sealed(box, "BRM-0010 G-01 J-01", "2025-03-10T08:40:00Z", told, ["S-1001", "S-1002"]),
        fact(f"{told} p05 TRP released {box} @2025-03-10T10:05:00Z", to="CRK", shipment="T-01", name_="E-02", times_=3),
        fact(
            f"2025-03-17T09:00:00Z p05 TRP accepted {box} @2025-03-10T10:06:00Z",
            party="CRK",
            from_="TRP",
            shipment="T-01",
            name_="E-03",
            source_="carrier",
        ),
        fact(
            f"2025-03-14T00:12:00Z p09 TSI accepted {box} @2025-03-14T09:10:00+09:00",
            from_="CRK",
            shipment="T-01",
            name_="E-04",
        ),
        fact("2025-03-14T01:21:00Z p09 TSI seen BRM-0010 @2025-03-14T01:20:00Z", name_="E-05"),
        *out("BRM-0010", "2025-03-14T01:10:00Z", "2025-03-14T01:20:00Z", "TSI-N1", "p09", "TSI"),
        fact(
            "2025-03-14T01:21:00Z p09 TSI weighed BRM-0010 @2025-03-14T01:20:00Z",
            mass="1204.2 mg",
            balance="B6",
            name_="W-0010-receipt",
        ),
    ]


def l01_use_and_return() -> list[Step]:
    """Three uses at TSI, the way back, and the sawing note that explains most of the loss."""
    used = [("2025-04-14", "180.12"), ("2025-07-02", "201.44"), ("2025-09-30", "158.90")]
    steps: list[Step] = [
        fact(f"{day}T05:00:00Z p09 TSI used BRM-0010", mass=f"{mass} mg", balance="B6", technique="isotopes")
        for day, mass in used
    ]
    return [
        *steps,
        ship("2026-02-26T02:00:00Z", "p09", "T-08", "TSI", "TRP", "CRK", "BRM-0010", "2026-03-05T18:00:00Z", "L-01"),
        fact("2026-02-27T06:00:00Z p09 TSI released BRM-0010", to="CRK", shipment="T-08"),
        fact("2026-02-27T06:01:00Z driver-k CRK accepted BRM-0010", from_="TSI", shipment="T-08"),
        fact("2026-03-05T10:00:00Z p05 TRP accepted BRM-0010", from_="CRK", shipment="T-08"),
        stored("BRM-0010", "2026-03-05T10:20:00Z", "TRP-GB1"),
        *weighed_and_posted("0010", "2026-03-05T11:00:00Z", "655.2", "B1", posted="2026-03-24T10:00:00Z"),
        fact(
            "2026-03-20T03:00:00Z p09 TSI loss_noted BRM-0010 @2025-04-14T05:30:00Z",
            mass="8.1 mg",
            process="sawing",
            name_="M08-note",
        ),
    ]


def t02() -> list[Step]:
    """L-02 out: held at the border for four days, refilled late, and a decimal slip at the receipt."""
    box = "P-02"
    return [
        ship("2025-03-21T09:00:00Z", "p05", "T-02", "TRP", "MRL", "CRK", box, "2025-03-29T12:00:00Z", "L-02"),
        fact("2025-03-24T08:30:00Z p04 TRP taken_out BRM-0011 @2025-03-24T08:05:00Z", place="TRP-F1", name_="E-06"),
        *packed_and_sealed(box, "BRM-0011 J-02", "2025-03-24T08:25:00Z", "2025-03-24T08:31:00Z", ["S-1003", "S-1004"]),
        fact(
            f"2025-03-24T09:16:00Z p05 TRP released {box} @2025-03-24T09:15:00Z",
            to="CRK",
            shipment="T-02",
            name_="E-07",
        ),
        fact(f"2025-03-24T09:16:30Z driver-k CRK accepted {box} @2025-03-24T09:15:00Z", from_="TRP", shipment="T-02"),
        fact(
            f"2025-03-26T08:00:00Z driver-k CRK held {box} @2025-03-26T03:20:00Z",
            authority="BIA",
            shipment="T-02",
            name_="E-08",
        ),
        fact(
            f"2025-03-30T07:05:00Z driver-k CRK freed {box} @2025-03-30T06:40:00Z",
            authority="BIA",
            to="CRK",
            shipment="T-02",
            name_="E-09",
        ),
        fact(
            f"2025-03-31T00:00:00Z driver-k CRK refilled {box} @2025-03-30T09:30:00Z",
            shipment="T-02",
            name_="E-10",
            words="dry ice",
        ),
        fact(
            f"2025-04-01T00:46:00Z p11 MRL accepted {box} @2025-04-01T11:15:00+10:30",
            from_="CRK",
            shipment="T-02",
            name_="E-11",
        ),
        fact("2025-04-01T00:46:30Z p11 MRL taken_out BRM-0011 @2025-04-01T00:45:00Z"),
        fact("2025-04-01T01:06:00Z p11 MRL stored BRM-0011 @2025-04-01T01:05:00Z", place="MRL-F1", name_="E-12"),
        fact(
            "2025-04-01T02:10:00Z p11 MRL weighed BRM-0011 @2025-04-01T01:00:00Z",
            mass="51.2 mg",
            balance="B7",
            name_="E-13",
        ),
        fact(
            "2025-04-02T23:30:00Z p10 MRL weighed BRM-0011 @2025-04-01T01:00:00Z",
            mass="512.3 mg",
            balance="B7",
            name_="E-14",
            amends_="E-13",
            because_="decimal slip, printout attached",
        ),
        fact("2025-04-02T23:40:00Z p11 MRL confirmed BRM-0011", fact="#E-14"),
    ]


def l02_use_and_return() -> list[Step]:
    """One use weighed, one estimated; handed over twenty minutes before the end of the day the clocks went back."""
    used = {"technique": "soluble organics"}
    return [
        fact("2025-05-20T03:00:00Z p11 MRL used BRM-0011", mass="300.1 mg", balance="B7", **used),
        fact(
            "2025-11-02T03:00:00Z p11 MRL used BRM-0011", mass="100 mg", method="estimated", plus_minus="10 mg", **used
        ),
        ship("2026-04-03T03:00:00Z", "p10", "T-10", "MRL", "TRP", "CRK", "BRM-0011", "2026-04-09T18:00:00Z", "L-02"),
        fact("2026-04-05T14:12:00Z driver-k CRK accepted BRM-0011 @2026-04-05T14:10:00Z", from_="MRL", shipment="T-10"),
        fact(
            "2026-04-06T01:00:00Z p10 MRL released BRM-0011 @2026-04-05T23:40:00+09:30",
            to="CRK",
            shipment="T-10",
            name_="E-30",
        ),
        fact("2026-04-09T10:20:00Z p05 TRP accepted BRM-0011", from_="CRK", shipment="T-10"),
        stored("BRM-0011", "2026-04-09T10:30:00Z", "TRP-F1"),
        *weighed_and_posted("0011", "2026-04-10T09:00:00Z", "105.33", "B2"),
    ]
