"""The material: from the fall to pieces, by the acts of demo.md T6, T7, T17 and T19."""

from typing import Any

from demo_seed.commands import post_mass, rebase
from demo_seed.steps import Fact, Step, fact

#: M01 and M02 in mg: guessed in the field, weighed on B4.
GUESSED = {"0001": "220000", "0002": "120000", "0003": "65000", "0004": "40000", "0005": "50000"}
ON_B4 = {"0001": "221408", "0002": "118652", "0003": "64037", "0004": "39515", "0005": "42588"}
STONES = {
    "0001": "stone 1",
    "0002": "stone 2, reserve",
    "0003": "stone 3, reserve",
    "0004": "stone 4, reserve",
    "0005": "dust and crumbs",
}
#: Pieces: what they are, and the form of the material.
PIECES = {
    "0006": ("half, reserve", "chip"),
    "0007": ("interior, working", "chip"),
    "0008": ("crusted exterior", "chip"),
    "0009": ("recovered fines", "powder"),
    "0010": ("chip", "chip"),
    "0011": ("chip", "chip"),
    "0012": ("chip", "chip"),
    "0013": ("chip for section", "chip"),
    "0014": ("thick section 14.0 x 9.0 mm, 150 µm", "chip"),
    "0015": ("embedded block", "chip"),
    "0016": ("powder stock", "powder"),
    "0017": ("powder aliquot", "powder"),
    "0018": ("powder aliquot", "powder"),
    "0019": ("powder aliquot", "powder"),
    "0020": ("powder aliquot", "powder"),
    "0021": ("chip part", "chip"),
    "0022": ("chip part", "chip"),
    "0023": ("chip part", "chip"),
    "0024": ("composite powder", "powder"),
    "0025": ("in-house aliquot", "powder"),
    "0026": ("in-house aliquot", "powder"),
    "0027": ("in-house aliquot", "powder"),
    "0028": ("in-house aliquot", "powder"),
}
#: The vials that are followed through the story, made ready on one day.
VIALS = ["0010", "0011", "0012", "0016", "0017", "0018", "0019", "0020", "0021", "0022", "0023"]


def piece(number: str, mass: str, balance: str) -> dict[str, str]:
    """One line of a split sheet."""
    return {"number": f"BRM-{number}", "mass": f"{mass} mg", "balance": balance, "material": PIECES[number][1]}


def registered(number: str, told: str, who: str = "p02", acting_for: str = "TRP") -> Fact:
    """A piece gets its number."""
    what, material = PIECES[number]
    words: dict[str, Any] = {"item": "sample", "what": what, "owner": "TRP", "material": material}
    words |= {"moisture_class": "CM", "reserve": "reserve" in what}
    return fact(f"{told} {who} {acting_for} registered BRM-{number}", **words)


def into_vial(number: str, told: str, who: str = "p04", acting_for: str = "TRP") -> Fact:
    """A piece goes into its vial."""
    return fact(f"{told} {who} {acting_for} packed BRM-{number}", into=f"V-{number}", material=True)


def stored(names: str, told: str, place: str, who: str = "p04", acting_for: str = "TRP") -> Fact:
    """Things are put in their place."""
    return fact(f"{told} {who} {acting_for} stored {names}", place=place)


def out(name: str, since: str, until: str, place: str, who: str = "p04", acting_for: str = "TRP") -> list[Step]:
    """A thing stands open for a while (T19), told when it is put back."""
    taken = fact(f"{until} {who} {acting_for} taken_out {name} @{since}", place=place)
    return [taken, stored(name, until, place, who, acting_for)]


def packed_and_sealed(box: str, names: str, at: str, told: str, seals: list[str]) -> list[Step]:
    """Vials into a bag or jar and that into the overpack, sealed."""
    nest = names.split()
    steps: list[Step] = [
        fact(f"{told} p05 TRP packed {inner} @{at}", into=outer)
        for inner, outer in zip(nest, [*nest[1:], box], strict=True)
    ]
    return [*steps, fact(f"{told} p05 TRP sealed {box} @{at}", seals=seals)]


def recovery() -> list[Step]:
    """From the fall to the first weighing."""
    steps: list[Step] = []
    for number, what in STONES.items():
        first = "2025-01-25T11:00:00Z" if number == "0005" else "2025-01-20T14:40:00Z"
        words: dict[str, Any] = {"item": "sample", "what": what, "owner": "TRP", "moisture_class": "CM"}
        if "reserve" in what:
            words["reserve"] = True
        guess = {"mass": f"{GUESSED[number]} mg", "method": "estimated"}
        steps += [
            fact(f"{first} p02 TRP registered BRM-{number}", **words, **guess),
            stored(f"BRM-{number}", first, "TRP-GB1"),
        ]
        weighed_at, mass = "2025-01-27T13:20:00Z", {"mass": f"{ON_B4[number]} mg", "balance": "B4"}
        steps += [
            fact(f"{weighed_at} p02 TRP accessioned BRM-{number}"),
            fact(f"{weighed_at} p02 TRP weighed BRM-{number}", name_=f"M02-{number}", **mass),
            rebase(weighed_at, f"BRM-{number}", f"M02-{number}"),
        ]
    steps += out("BRM-0001", "2025-01-27T10:00:00Z", "2025-01-27T11:30:00Z", "TRP-GB1")
    steps += out("BRM-0001", "2025-01-27T13:00:00Z", "2025-01-27T13:15:00Z", "TRP-GB1")
    steps += out("BRM-0005", "2025-01-28T09:00:00Z", "2025-01-28T13:00:00Z", "TRP-GB1")
    steps.append(stored("BRM-0003 BRM-0004", "2025-01-28T15:00:00Z", "TRP-V1"))
    return steps


def splits() -> list[Step]:
    """M03 to M06: from the stone to chips, powder and section."""
    m03, m04 = "2025-02-03T11:00:00Z", "2025-02-18T10:30:00Z"
    halves = [piece("0006", "131972", "B4"), piece("0007", "58310", "B4"), piece("0008", "30214", "B4")]
    chips = [piece("0010", "1204.3", "B1"), piece("0011", "512.46", "B2"), piece("0012", "86.214", "B3")]
    chips += [piece("0013", "2881.7", "B1"), piece("0016", "5034.9", "B1")]
    fines = piece("0009", "871.6", "B1")
    steps: list[Step] = [registered(n, m03) for n in ("0006", "0007", "0008", "0009")]
    loss = {"mass": "40.4 mg"}
    steps.append(
        fact(f"{m03} p04 TRP divided BRM-0001", children=[*halves, fines], loss=loss, process="chip", ends=True)
    )
    steps.append(stored("BRM-0006", "2025-02-03T11:05:00Z", "TRP-V1"))
    steps += out("BRM-0007", "2025-02-18T10:00:00Z", m04, "TRP-GB1")
    steps += [registered(n, m04) for n in ("0010", "0011", "0012", "0013", "0016")]
    steps.append(fact(f"{m04} p04 TRP divided BRM-0007", children=chips, loss={"mass": "11.426 mg"}))
    born = ("0010", "0011", "0012", "0013", "0016")
    steps.append(stored(" ".join(f"BRM-{n}" for n in born), "2025-02-18T10:30:01Z", "TRP-GB1"))
    steps.append(fact("2025-02-18T10:31:00Z p02 TRP weighed BRM-0007", mass="48579 mg", balance="B4"))
    steps += [into_vial(n, "2025-02-18T10:40:00Z") for n in ("0010", "0011", "0012", "0016")]
    steps.append(stored("BRM-0011", "2025-02-19T14:00:00Z", "TRP-F1"))
    steps += out("BRM-0016", "2025-02-25T14:00:00Z", "2025-02-25T14:40:00Z", "TRP-GB1")
    crushed = {"mass": "13.7 mg", "process": "crushing"}
    steps.append(fact("2025-02-25T14:40:01Z p04 TRP loss_noted BRM-0016", **crushed))
    steps += [registered(n, "2025-04-22T09:00:00Z") for n in ("0014", "0015")]
    # 14.0 by 9.0 mm, 150 um; of the block nobody told a size.
    parts = [{"number": "BRM-0014", "area_mm2": "126", "thickness_um": "150"}, {"number": "BRM-0015"}]
    steps.append(fact("2025-04-22T09:00:01Z p04 TRP embedded BRM-0013", children=parts, ends=True))
    steps.append(stored("BRM-0014 BRM-0015", "2025-04-22T09:05:00Z", "TRP-SC1"))
    return steps


#: 7.6: day, pieces taken out with their masses on B2, what the rest weighed on B1.
DRIFT = [
    ("2025-04-02", {"0017": "250.12", "0018": "250.31", "0019": "248.79", "0020": "251.06"}, "4020.5"),
    ("2025-06-10", {"0025": "100.22"}, "3919.9"),
    ("2025-09-01", {"0026": "150.41"}, "3769.1"),
    ("2026-01-15", {"0027": "75.08"}, "3693.7"),
    ("2026-05-06", {"0028": "200.35"}, "3493.0"),
    ("2026-09-18", {}, "3492.6"),
]


def drift() -> list[Step]:
    """Withdrawals from the powder stock; after each the rest is weighed and the book set to it (T17)."""
    steps: list[Step] = []
    for day, taken, rest in DRIFT:
        if taken:
            steps += [registered(n, f"{day}T09:00:00Z") for n in taken]
            pieces = [piece(n, mass, "B2") for n, mass in taken.items()]
            steps.append(fact(f"{day}T09:05:00Z p04 TRP divided BRM-0016", children=pieces))
            steps += [into_vial(n, f"{day}T09:06:00Z") for n in taken if n in VIALS]
            steps.append(stored(" ".join(f"BRM-{n}" for n in taken), f"{day}T09:07:00Z", "TRP-GB1"))
        steps += weighed_and_posted("0016", f"{day}T09:10:00Z", rest, "B1")
    return steps


def weighed_and_posted(
    number: str, at: str, mass: str, balance: str, *, posted: str = "", subject: str = ""
) -> list[Step]:
    """A weighing at the lender, and the decision that sets the book to it."""
    name = f"W-{number}-{at[:10]}"
    words = {"mass": f"{mass} mg", "balance": balance}
    weighed = fact(f"{at} p02 TRP weighed {subject or f'BRM-{number}'}", name_=name, **words)
    return [weighed, post_mass(posted or f"{at[:10]}T18:00:00Z", f"BRM-{number}", name)]


def closed() -> list[Step]:
    """What stands in no vial is heat-sealed in its bag; the tray of 0007 alone is open (A20)."""
    sealed = {
        "0001": "2025-01-20T14:45:00Z",
        "0002": "2025-01-28T15:01:00Z",
        "0003": "2025-01-28T15:01:00Z",
        "0004": "2025-01-28T15:01:00Z",
        "0005": "2025-01-28T13:05:00Z",
        "0006": "2025-02-03T11:06:00Z",
        "0008": "2025-02-03T11:06:00Z",
        "0009": "2025-02-03T11:06:00Z",
        "0013": "2025-02-18T10:41:00Z",
        "0024": "2025-11-12T10:31:00Z",
        "0025": "2025-06-10T09:08:00Z",
        "0026": "2025-09-01T09:08:00Z",
        "0027": "2026-01-15T09:08:00Z",
        "0028": "2026-05-06T09:08:00Z",
    }
    return [fact(f"{told} p04 TRP sealed BRM-{n}", seals=[f"B-{n}"]) for n, told in sealed.items()]


def composite() -> list[Step]:
    """M12: fines and dust mixed into one powder."""
    day = "2025-11-12"
    parts = [
        {"number": "BRM-0009", "mass": "400.0 mg", "balance": "B1"},
        {"number": "BRM-0005", "mass": "1600.4 mg", "balance": "B1"},
    ]
    words = {"mass": "1997.9 mg", "balance": "B1", "parents": parts}
    return [
        registered("0024", f"{day}T10:00:00Z"),
        fact(f"{day}T10:00:01Z p04 TRP combined BRM-0024 @{day}T10:00:00Z", **words),
        *out("BRM-0024", f"{day}T10:00:00Z", f"{day}T10:30:00Z", "TRP-GB1"),
        *weighed_and_posted("0009", f"{day}T10:40:00Z", "471.5", "B1"),
        *weighed_and_posted("0005", f"{day}T10:45:00Z", "40986", "B1"),
    ]
