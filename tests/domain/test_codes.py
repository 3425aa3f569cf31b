"""Item numbers against ISO/IEC 7064 values, python-stdnum and hand-made misreadings."""

from itertools import pairwise, product

import pytest
from stdnum.iso7064 import mod_37_36

from shipsvc.domain import codes
from shipsvc.domain.codes import Print, Seen
from shipsvc.domain.errors import NotANumber, WrongCheckCharacter

#: The invented scenario's printed check characters, BRM-0001 to BRM-0028 in order, copied from its sample table.
SCENARIO_CHECKS = "LJHFDB975JHFDB97531FDB975310"

BRM_NUMBERS = [f"BRM{serial:04d}" for serial in range(10_000)]


@pytest.mark.parametrize(
    ("text", "check"),
    [
        ("A12425GABC1234002", "M"),  # example in the python-stdnum documentation of ISO/IEC 7064 MOD 37,36
        ("BRM0001", "L"),  # promised in design.md section 8
        ("BRM0012", "F"),  # trade.md 2.7
        ("BRM0021", "D"),  # trade.md 2.7
    ],
)
def test_check_characters_that_others_published(text: str, check: str) -> None:
    """Published examples come out as published."""
    assert codes.check_character(text) == check


def test_check_characters_of_the_scenario() -> None:
    """Every check letter printed in the scenario's sample table is the computed one."""
    assert "".join(codes.check_character(f"BRM{n:04d}") for n in range(1, 29)) == SCENARIO_CHECKS


def test_check_characters_agree_with_stdnum_over_a_whole_prefix() -> None:
    """BRM0000 to BRM9999 have the check character that python-stdnum computes."""
    assert [codes.check_character(n) for n in BRM_NUMBERS] == [mod_37_36.calc_check_digit(n) for n in BRM_NUMBERS]


def test_check_character_folds_case_spaces_and_hyphens() -> None:
    """What the eye passes over does not change the check character."""
    assert codes.check_character(" brm-00 01\u2013") == codes.check_character("BRM0001")


@pytest.mark.parametrize("text", ["", " - ", "BRM_0001", "BRM0001.2", "BRМ0001", "straße", "BRM²", "\ud800"])
def test_check_character_refuses_other_alphabets(text: str) -> None:
    """Anything but 0-9 and A-Z, such as a Cyrillic M, is refused and not guessed at."""
    with pytest.raises(NotANumber):
        codes.check_character(text)


def test_every_single_wrong_character_is_refused() -> None:
    """ISO/IEC 7064 (scope) promises all single substitutions; the look-alikes O, I and L are read, not wrong."""
    for number in filter(codes.issuable, BRM_NUMBERS[::97]):
        code = number + codes.check_character(number)
        for place, wrong in product(range(len(code)), codes.ALPHABET):
            typed = code[:place] + wrong + code[place + 1 :]
            folded = typed.translate(str.maketrans("OI", "01"))
            if folded != code and not (wrong == "L" and code[place] == "1" and 3 <= place < 7):
                with pytest.raises((WrongCheckCharacter, NotANumber)):
                    codes.parse(typed)


def test_neighbour_swaps_are_caught_as_often_as_we_say() -> None:
    """Trade.md 2.7: swaps of neighbouring digits in BRM-0000 to BRM-9999 are caught at 99.6 %, as by stdnum."""
    swaps = missed = missed_by_stdnum = 0
    for number in BRM_NUMBERS:
        check = codes.check_character(number)
        for place, (left, right) in enumerate(pairwise(number)):
            if place >= 3 and left != right:
                typed = number[:place] + right + left + number[place + 2 :]
                swaps += 1
                missed += codes.check_character(typed) == check
                missed_by_stdnum += mod_37_36.is_valid(typed + check)
    assert (swaps, missed) == (27_000, missed_by_stdnum)
    assert round(100 * (1 - missed / swaps), 1) == 99.6


@pytest.mark.parametrize(
    "typed",
    [
        *("BRM-0001-L", "brm-0001-l", "BRM0001L", " brm 0001 l ", "BRM\u20110001\u2011L", "B R M 0 0 0 1 L"),
        *("BRM-OOO1-L", "brm-oooi-l", "BRM-000L-L", "ＢＲＭ－０００１－Ｌ", "BRM\u30000001L"),
    ],
)
def test_typed_numbers_are_folded(typed: str) -> None:
    """Case, spaces, hyphens, full-width input and look-alikes all lead to the same number (rulings 25)."""
    assert codes.parse(typed) == "BRM0001"


def test_check_position_reads_o_as_zero_and_i_as_one() -> None:
    """In the scenario BRM-0028 ends in 0 and BRM-0019 in 1: both may be typed as the letter (rulings 25)."""
    assert (codes.parse("BRM-0028-O"), codes.parse("BRM-0019-I")) == ("BRM0028", "BRM0019")


def test_a_typed_l_in_check_position_stays_an_l() -> None:
    """L is a check character of its own, so it is not read as 1 there."""
    with pytest.raises(WrongCheckCharacter):
        codes.parse("BRM-0019-L")


@pytest.mark.parametrize(
    ("typed", "number"),
    [("brm-0001-x", "BRM0001"), ("BRM-0012-D", "BRM0012"), ("BRM-0021-F", "BRM0021"), ("BRM-OO12-D", "BRM0012")],
)
def test_wrong_check_character_names_what_was_read(typed: str, number: str) -> None:
    """The error holds the text as typed and the number it was read as, but not the right answer."""
    with pytest.raises(WrongCheckCharacter) as caught:
        codes.parse(typed)
    assert caught.value.facts == {"typed": typed, "number": number}


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "L",
        "0001L",
        "BRM",
        "BRMX",
        "BRMABCX1L",
        "BOM0001L",
        "BRM123456789L",
        "BRM 0001/L",
        "BRM0001L.2",
        "9" * 10_000,
    ],
)
def test_what_is_no_number_at_all(typed: str) -> None:
    """No prefix, no digits, an O or I in the prefix, too many of either, or other characters."""
    with pytest.raises(NotANumber) as caught:
        codes.parse(typed)
    assert len(caught.value.facts["typed"]) <= 61


def coded(number: str) -> str:
    """A number with the check character that python-stdnum gives it."""
    return number + str(mod_37_36.calc_check_digit(number))


def test_an_l_behind_the_prefix_is_settled_by_the_hyphen() -> None:
    """With a hyphen BR-L001 is BR1001 and BRL-001 is BRL001, whatever the other reading's check character is."""
    assert codes.parse(f"BR-L001-{coded('BR1001')[-1]}") == "BR1001"
    assert codes.parse(f"BRL-001-{coded('BRL001')[-1]}") == "BRL001"
    with pytest.raises(WrongCheckCharacter):
        codes.parse(f"BR-L001-{coded('BRL001')[-1]}")


def test_an_l_behind_the_prefix_without_a_hyphen_is_settled_by_the_check_character() -> None:
    """BRL001 run together is the reading whose check character fits; a single substitution cannot fit both."""
    assert codes.parse(f"BRL001{coded('BR1001')[-1]}") == "BR1001"
    assert codes.parse(f"BRL001{coded('BRL001')[-1]}") == "BRL001"


def test_codes_that_we_print_read_as_themselves() -> None:
    """No number with L at the end of its prefix is taken for another one when printed without a hyphen."""
    numbers = [f"{prefix}{n:03d}" for prefix in ("LLL", "BLL", "LLLLLL", "L", "ABCDEL") for n in range(1000)]
    printable = [number for number in numbers if codes.issuable(number)]
    assert [codes.parse(coded(number)) for number in printable] == printable


def test_numbers_with_a_look_alike_for_check_character_are_never_issued() -> None:
    """Rulings 25: where stdnum's check character is O or I, the number is skipped, and cannot be typed either."""
    unissuable = [number for number in BRM_NUMBERS if coded(number)[-1] in "OI"]
    assert unissuable
    assert [number for number in BRM_NUMBERS if not codes.issuable(number)] == unissuable
    for number in unissuable:
        with pytest.raises(WrongCheckCharacter):
            codes.parse(coded(number))


@pytest.mark.parametrize("number", ["", "BRM-0001", "brm0001", "BRM0001L", "BOM0001", "BRM", "1234", "BRM123456789"])
def test_malformed_numbers_are_not_issuable(number: str) -> None:
    """Only the canonical form can be issued."""
    assert not codes.issuable(number)


def test_numbers_after_a_serial() -> None:
    """The next numbers follow in order without the unissuable ones between them."""
    expected = [number for number in BRM_NUMBERS[101:] if coded(number)[-1] not in "OI"][:200]
    assert codes.numbers_after("BRM", 100, 200) == expected
    assert codes.numbers_after("BRM", 100, 0) == []


@pytest.mark.parametrize(("prefix", "serial"), [("ABCDEF", 99_999_999), ("A", 1)])
def test_the_longest_and_the_shortest_numbers(prefix: str, serial: int) -> None:
    """Rulings 25: one to six letters, one to eight digits, each end included."""
    assert codes.parse(coded(codes.make(prefix, serial, width=1))) == f"{prefix}{serial}"


def test_serials_outgrow_their_width_but_not_eight_digits() -> None:
    """A prefix never runs into numbers already given out, and says so when the digits are used up."""
    assert codes.make("BRM", 12_345) == "BRM12345"
    assert codes.make("B", 7, width=2) == "B07"
    with pytest.raises(NotANumber):
        codes.numbers_after("BRM", 99_999_998, 2)


@pytest.mark.parametrize(
    ("prefix", "serial"), [("BOX", 1), ("LID", 1), ("", 1), ("SEVENLY", 1), ("B1", 1), ("BRM", -1)]
)
def test_prefixes_hold_no_look_alike_and_no_digit(prefix: str, serial: int) -> None:
    """Rulings 25: one to six letters without O and I."""
    with pytest.raises(NotANumber):
        codes.make(prefix, serial)


def test_display_and_parts() -> None:
    """People see prefix, digits and check character apart."""
    assert codes.display("BRM0001") == "BRM-0001-L"
    assert (codes.prefix_of("BRM0001"), codes.serial_of("BRM0001")) == ("BRM", 1)
    with pytest.raises(NotANumber):
        codes.display("BRM-0001-L")


def test_prints() -> None:
    """A print is the number with its check character and a serial of its own."""
    assert Print("BRM0001", 2).code == codes.print_code("BRM0001", 2) == "BRM0001L.2"
    for serial in (0, 10**9):
        with pytest.raises(NotANumber):
            codes.print_code("BRM0001", serial)


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("brm-0001-l", Seen("BRM0001")),
        ("BRM0001L.2", Seen("BRM0001", 2)),
        (" brm-0001-l . 2 ", Seen("BRM0001", 2)),
        ("BRM-0001-L.I0", Seen("BRM0001", 10)),
        ("https://labels.example/s/BRM0001L.2", Seen("BRM0001", 2)),
        ("HTTPS://LABELS.EXAMPLE/S/BRM0001L.2", Seen("BRM0001", 2)),
        ("https://labels.example/s/BRM0001L.2.k3f9a1", Seen("BRM0001", 2, "k3f9a1")),
        ("https://labels.example/s/BRM0001L.2.k3f9a1/?from=a/b.c#d", Seen("BRM0001", 2, "k3f9a1")),
        ("https://labels.example/s/BRM0001L", Seen("BRM0001")),
    ],
)
def test_what_was_seen(text: str, seen: Seen) -> None:
    """Typed numbers, print codes and scanned addresses are told apart; the tag keeps its case."""
    assert codes.parse_seen(text) == seen


def test_a_print_is_known_only_from_its_serial() -> None:
    """A typed number names no print."""
    assert codes.parse_seen("BRM0001L.2").printed == Print("BRM0001", 2)
    assert codes.parse_seen("BRM0001L").printed is None


@pytest.mark.parametrize(
    "text",
    [
        "https://labels.example/",
        "BRM0001L.",
        "BRM0001L.0",
        "BRM0001L.x",
        "BRM0001L.2.",
        "BRM0001L.2.a b",
        "BRM0001L.2.a.b",
        "BRM0001L.1234567890",
        "BRM0001L.2.k=1",
        "https://labels.example/s/?BRM0001L.2",
    ],
)
def test_what_was_seen_but_names_nothing(text: str) -> None:
    """A broken print code is refused, never read as the bare number."""
    with pytest.raises(NotANumber):
        codes.parse_seen(text)


def test_a_scanned_code_is_checked_like_a_typed_one() -> None:
    """Label text is input: a wrong check character in an address is refused."""
    with pytest.raises(WrongCheckCharacter):
        codes.parse_seen("https://labels.example/s/BRM0002L.2")
