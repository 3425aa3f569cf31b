"""The ledger by its acts: what goes where, and the whole balance of the scenario (demo.md T6, T7, T17 and 7.2)."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from shipsvc.domain import fold, ledger
from shipsvc.domain.acts import Done, ItemInfo, done
from shipsvc.domain.book import Book, KnownBalance
from shipsvc.domain.errors import Malformed
from shipsvc.domain.facts import Fact, Named
from shipsvc.domain.ledger import Account, Move, Side, accession_total_ng, balances, moved, sample
from shipsvc.domain.mass import Balance, Mass
from shipsvc.domain.rulebook import Rulebook, Rules, Version
from shipsvc.domain.states import Outcome

START = datetime(2025, 1, 18, tzinfo=UTC)
GOOD = date(2027, 1, 31)
#: Demo table T5: readability and repeatability in ng.
SCALES = {"B1": (100_000, 150_000), "B2": (10_000, 20_000), "B4": (1_000_000, 1_500_000)}
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
BALANCES = {code: KnownBalance(Balance(*figures), GOOD) for code, figures in SCALES.items()}
RULEBOOK = Rulebook({code: [Version(EPOCH, EPOCH, held)] for code, held in BALANCES.items()})
ME = sample("BRM0001")


def mg(figure: str) -> int:
    """A figure in mg as ng."""
    return Mass.parse(f"{figure} mg").ng


def act(kind: str, held: str | None = "100", how: str = "weighed", **body: Any) -> Done:
    """One act on a sample that holds so many mg by the book."""
    fact = Fact(kind, kind, (), START, START, "TRP", body)
    before = Book(mass_ng=mg(held) if held is not None else None, how=how)
    return done("BRM0001", before, fact, Rules(BALANCES))


def flows(act: Done) -> dict[str, str]:
    """What the moves of an act leave where, in mg."""
    return {side.item or side.account: Mass(ng).digits("mg") for side, ng in balances(act.moves).items()}


@pytest.mark.parametrize(
    ("source", "target", "mass_ng"),
    [(ME, ledger.UNEXPLAINED, 0), (ME, ledger.UNEXPLAINED, -1), (ME, ME, 1), (ME, ledger.ORIGIN, 1.0)],
)
def test_a_move_that_does_not_balance_cannot_be_made(source: Side, target: Side, mass_ng: Any) -> None:
    """Rulings 18: an entry cannot be constructed unless it sums to zero."""
    with pytest.raises(Malformed):
        Move(source, target, mass_ng)


@pytest.mark.parametrize(("account", "item"), [(Account.SAMPLE, ""), (Account.UNEXPLAINED, "BRM0001")])
def test_only_the_account_of_a_sample_names_one(account: Account, item: str) -> None:
    """There is one account of each other kind."""
    with pytest.raises(Malformed):
        Side(account, item)


def test_a_negative_amount_goes_the_other_way() -> None:
    """A posting upwards takes from unexplained (T17: 0017 gains 0.19 mg)."""
    assert moved(ME, ledger.UNEXPLAINED, -190_000) == (Move(ledger.UNEXPLAINED, ME, 190_000),)
    assert moved(ME, ledger.UNEXPLAINED, 0) == ()


B1 = {"balance": "B1"}
PIECE = {"number": "BRM0002", "mass": "40 mg", **B1}
CASES = [
    (("accessioned", None), {"mass": "7 mg", **B1}, {"origin": "-7", "BRM0001": "7"}),
    (("accessioned", "100"), {"mass": "7 mg", **B1}, {}),  # the first mass holds
    (("weighed", None), {"mass": "7 mg", **B1}, {"origin": "-7", "BRM0001": "7"}),
    (("weighed", "100"), {"mass": "7 mg", **B1}, {}),  # promise 6
    (("posted", "100"), {"mass": "99.5 mg", **B1}, {"BRM0001": "-0.5", "unexplained": "0.5"}),
    (("posted", "100"), {"mass": "100.2 mg", **B1}, {"BRM0001": "0.2", "unexplained": "-0.2"}),
    (("rebased", "220000"), {"mass": "221408 mg", **B1}, {"BRM0001": "1408", "rebasis": "-1408"}),  # M02
    (("used", "100"), {"mass": "30 mg", **B1}, {"BRM0001": "-30", "used_weighed": "30"}),
    (("used", "100"), {"mass": "30 mg"}, {"BRM0001": "-30", "used_estimated": "30"}),
    (("used", "100"), {"mass": "30 mg", "method": "estimated", **B1}, {"BRM0001": "-30", "used_estimated": "30"}),
    (("used", "100"), {"mass": "99 mg", "all": True, **B1},
     {"BRM0001": "-100", "used_weighed": "99", "unexplained": "1"}),
    (("used", "100"), {"all": True}, {"BRM0001": "-100", "used_estimated": "100"}),
    (("used", None), {"mass": "30 mg"}, {}),  # out of nothing known, nothing is known to have gone
    (("loss_noted", "100"), {"mass": "8.1 mg"}, {"BRM0001": "-8.1", "worked_loss": "8.1"}),
    (("written_off", "100"), {}, {"BRM0001": "-100", "written_off": "100"}),
    (("lost_decided", "100"), {}, {"BRM0001": "-100", "written_off": "100"}),
    (("embedded", "2881.7"), {"children": [PIECE]}, {"BRM0001": "-2881.7", "embedded": "2881.7"}),  # M06
    (("divided", "100"), {"children": [PIECE], "loss": {"mass": "0.3 mg"}},
     {"BRM0001": "-40.3", "BRM0002": "40", "worked_loss": "0.3"}),
    (("divided", None), {"children": [PIECE]}, {"origin": "-40", "BRM0002": "40"}),
    (("divided", "100"), {"children": [{**PIECE, "number": "BRM0001"}]}, {}),  # no piece of itself
    (("divided", "40.1"), {"children": [PIECE], "ends": True},
     {"BRM0001": "-40.1", "BRM0002": "40", "worked_loss": "0.1"}),  # 0.25 %: computed, within 0.5 % of chipping
    (("divided", "41"), {"children": [PIECE], "ends": True},
     {"BRM0001": "-41", "BRM0002": "40", "unexplained": "1"}),  # 2.4 % is more than chipping loses
    (("divided", "39.9"), {"children": [PIECE], "ends": True},
     {"BRM0001": "-39.9", "BRM0002": "40", "unexplained": "-0.1"}),  # more came out than went in
    (("divided", "40.1"), {"children": [PIECE], "loss": {"mass": "0.05 mg"}, "ends": True},
     {"BRM0001": "-40.1", "BRM0002": "40", "worked_loss": "0.05", "unexplained": "0.05"}),
]  # fmt: skip


@pytest.mark.parametrize(("told", "body", "expected"), CASES)
def test_each_act_moves_what_it_says(
    told: tuple[str, str | None], body: dict[str, Any], expected: dict[str, str]
) -> None:
    """Rulings 18: the accounts that an act touches, in mg, by what the sample held before."""
    found = act(*told, **body)

    assert flows(found) == expected
    assert (found.book.mass_ng or 0) == mg(told[1] or "0") + balances(found.moves).get(ME, 0)


def test_what_is_in_resin_has_no_mass_account() -> None:
    """Trade case 42: rock returned in a block is heavier than sent; its weighing opens no book and posts nothing."""
    ((_, block),) = act("embedded", "2881.7", children=[PIECE]).children

    assert (block.mass_ng, block.how) == (None, "embedded")
    for kind in ("weighed", "posted", "rebased", "accessioned"):
        later = act(kind, None, "embedded", mass="4913 mg", balance="B1")
        assert (later.moves, later.book.mass_ng, later.compared) == ((), None, None)


def test_a_piece_that_was_not_weighed_takes_nothing_in() -> None:
    """Its mass is still in its parent's book: weighed later it comes out of unexplained, as the rest will show."""
    ((_, piece),) = act("divided", "100", children=[{"number": "BRM0002"}]).children

    weighed = done("BRM0002", piece, Fact("w", "weighed", (), START, START, "TRP", {"mass": "40 mg"}), Rules(BALANCES))
    rest = act("posted", "100", mass="60 mg", balance="B1")

    assert balances([*weighed.moves, *rest.moves])[ledger.UNEXPLAINED] == 0
    assert ledger.ORIGIN not in balances(weighed.moves)


@pytest.mark.parametrize(
    ("sheet", "parent", "piece", "total"), [({"mass": "40 mg"}, "60", "40", "100"), ({}, "100", "39", "139")]
)
def test_a_piece_that_was_registered_with_a_mass(sheet: dict[str, str], parent: str, piece: str, total: str) -> None:
    """It is not taken in twice where its parent's sheet weighs it; where that does not, it came beside its parent."""
    found = run(
        ("registered", "0001", weighed("100")),
        ("registered", "0002", weighed("39")),
        ("divided", "0001", {"children": [{"number": "BRM0002", **sheet}]}),
    )

    held = balances(entry.move for entry in found.entries)

    assert (held[ME], held[sample("BRM0002")]) == (mg(parent), mg(piece))
    assert accession_total_ng(held) == mg(total)
    assert found.changes["BRM0002"][-1].state.book.mass_ng == mg(piece)


# ------------------------------------------------------------------------------------------------- the whole scenario
STONES = {"0001": ("220000", "221408"), "0002": ("120000", "118652"), "0003": ("65000", "64037"),
          "0004": ("40000", "39515"), "0005": ("50000", "42588")}  # fmt: skip
ALIQUOTS = [
    ({"0017": "250.12", "0018": "250.31", "0019": "248.79", "0020": "251.06"}, "4020.5"),
    ({"0025": "100.22"}, "3919.9"),
    ({"0026": "150.41"}, "3769.1"),
    ({"0027": "75.08"}, "3693.7"),
    ({"0028": "200.35"}, "3493.0"),
    ({}, "3492.6"),
]


def pieces(masses: dict[str, str]) -> list[dict[str, str]]:
    """Lines of a split sheet."""
    return [{"number": f"BRM{n}", "mass": f"{m} mg", "balance": "B1"} for n, m in masses.items()]


def weighed(figure: str) -> dict[str, Any]:
    """A mass on a balance."""
    return {"mass": f"{figure} mg", "balance": "B1"}


def acts_of_the_demo() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Kind, sample and body of the acts of demo.md T7 and T17, in the order in which they happened."""
    for number, (guess, weight) in STONES.items():
        yield "accessioned", number, {"mass": f"{guess} mg", "method": "estimated"}
        yield "rebased", number, weighed(weight)
    halves = pieces({"0006": "131972", "0007": "58310", "0008": "30214", "0009": "871.6"})
    yield "divided", "0001", {"children": halves, "loss": {"mass": "40.4 mg"}, "ends": True}
    chips = pieces({"0010": "1204.3", "0011": "512.46", "0012": "86.214", "0013": "2881.7", "0016": "5034.9"})
    yield "divided", "0007", {"children": chips, "loss": {"mass": "11.426 mg"}}
    yield "loss_noted", "0016", {"mass": "13.7 mg"}
    yield "embedded", "0013", {"children": [{"number": "BRM0014"}, {"number": "BRM0015"}]}
    for taken, rest in ALIQUOTS:
        if taken:
            yield "divided", "0016", {"children": pieces(taken)}
        yield "posted", "0016", weighed(rest)
    for used in ("180.12", "201.44", "158.90"):
        yield "used", "0010", weighed(used)
    yield "posted", "0012", weighed("86.209")
    parts = pieces({"0021": "40.102", "0022": "30.877", "0023": "15.180"})
    yield "divided", "0012", {"children": parts, "loss": {"mass": "0.050 mg"}, "ends": True}
    yield "used", "0021", {**weighed("40.102"), "all": True}
    yield "used", "0011", weighed("300.1")
    yield "used", "0011", {"mass": "100 mg", "method": "estimated", "plus_minus": "10 mg"}
    yield "combined", "0024", {**weighed("1997.9"), "parents": pieces({"0009": "400.0", "0005": "1600.4"})}
    yield "posted", "0009", weighed("471.5")
    yield "posted", "0005", weighed("40986")
    yield "used", "0018", weighed("50.20")
    yield "used", "0019", {"mass": "100 mg", "method": "estimated"}
    yield "loss_noted", "0010", {"mass": "8.1 mg"}
    returned = {
        "0010": "655.2",
        "0011": "105.33",
        "0017": "250.31",
        "0018": "199.87",
        "0008": "30209",
        "0023": "15.171",
    }
    for number, mass in returned.items():
        yield "posted", number, weighed(mass)


def run(*told: tuple[str, str, dict[str, Any]]) -> Outcome:
    """The fold over acts, each a day after the one before."""
    facts = [
        Fact(f"{place:04}", kind, (Named(f"BRM{number}"),), at := START + timedelta(days=place), at, "TRP", body)
        for place, (kind, number, body) in enumerate(told)
    ]
    infos = {f"BRM{n:04}": ItemInfo("sample", "material", "TRP") for n in range(1, 29)}
    return fold.run({}, facts, infos, {}, RULEBOOK, {})


#: Demo.md 7.2 in mg: where the whole accession is.
WHOLE = {
    Account.EMBEDDED: "2881.7",
    Account.USED_WEIGHED: "930.862",
    Account.USED_ESTIMATED: "200",
    Account.WORKED_LOSS: "76.176",
    Account.UNEXPLAINED: "16.594",
    Account.ORIGIN: "-495000",
    Account.REBASIS: "8800",
}
PLACES = {
    "0003 0004 0006": "235524",
    "0002": "118652",
    "0005 0007 0008 0009 0016 0024 0025 0026 0027 0028": "126262.06",
    "0010 0011 0017 0018 0023": "1225.881",
    "0022": "30.877",
    "0019": "148.79",
    "0020": "251.06",
    "0001 0012 0013 0021": "0",
}


def test_the_whole_balance_of_the_scenario_closes() -> None:
    """Demo.md 7.2: 486 200 mg, every line of it, and +16.594 mg unexplained."""
    held = balances(entry.move for entry in run(*acts_of_the_demo()).entries)

    assert accession_total_ng(held) == mg("486200")
    assert {account: Mass(held[Side(account)]).digits("mg") for account in WHOLE} == WHOLE
    for numbers, mass in PLACES.items():
        assert Mass(sum(held[sample(f"BRM{n}")] for n in numbers.split())).digits("mg") == mass


def test_what_is_unexplained_is_the_sum_of_the_verdict_lines() -> None:
    """Demo.md 7.2: the total from balances equals the total from lines, one for each posting of T17."""
    lines = [one.move for one in run(*acts_of_the_demo()).entries if one.fact.kind == "posted"]

    assert {side for move in lines for side in (move.source, move.target) if not side.item} == {ledger.UNEXPLAINED}
    assert balances(lines)[ledger.UNEXPLAINED] == mg("16.594")
