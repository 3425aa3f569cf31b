"""Item numbers, their check characters, and what a label says.

A number is a prefix of one to six letters and one to eight digits: ``BRM0001``. People see and type it with a
check character behind it, ``BRM-0001-L``; a label print adds a serial of its own, ``BRM0001L.2``, and a scanned
address may add an authenticity tag, ``.../s/BRM0001L.2.k3f9a1``. Numbers carry no meaning and are never reused.

The check character is ISO/IEC 7064 MOD 37,36. It finds every single wrong character, but not every swap of
neighbours (``0``/``1``, ``1``/``2`` and ``0``/``Z`` can slip through): whoever types a number is still shown the
photo and the description.

Look-alikes: a prefix holds neither O nor I, and a number whose check character would be O or I is never issued.
So O always reads as 0 and I as 1, and L reads as 1 among the digits (but as itself in a prefix and as a check).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count as counting
from itertools import islice
from string import ascii_letters, ascii_lowercase, digits

from shipsvc.domain.errors import NotANumber, WrongCheckCharacter

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
PREFIX_LETTERS_MAX = 6
DIGITS_MAX = 8
PRINT_SERIAL_MAX = 999_999_999
#: Longer texts are not echoed whole in an error.
_SHOWN_MAX = 60

_HYPHENS = "-\u00ad\u2010\u2011\u2012\u2013\u2014\u2212\ufe63\uff0d"
_SPACES = " \t\r\n\u00a0\u2002\u2003\u2007\u2009\u200b\u202f\u3000"
#: Small letters, and the full-width characters that input methods of East Asia give, read as plain capitals.
_FOLD = {ord(low): low.upper() for low in ascii_lowercase} | {
    ord(plain) + 0xFEE0: plain.upper() for plain in ascii_letters + digits
}
_SEPARATORS = re.compile(f"[{re.escape(_HYPHENS + _SPACES)}]+")
_AS_DIGITS = str.maketrans("OIL", "011")
_AS_CHECK = str.maketrans("OI", "01")

_PREFIX = re.compile(f"[A-HJ-NP-Z]{{1,{PREFIX_LETTERS_MAX}}}")
_NUMBER = re.compile(f"(?P<prefix>{_PREFIX.pattern})(?P<digits>[0-9]{{1,{DIGITS_MAX}}})")
_DIGITS_TYPED = re.compile(f"[0-9OIL]{{1,{DIGITS_MAX}}}")
_SERIAL_TYPED = re.compile(f"[0-9OIL]{{1,{len(str(PRINT_SERIAL_MAX))}}}")
_TAG = re.compile(r"[0-9A-Za-z_-]{1,64}")


@dataclass(frozen=True, slots=True)
class Print:
    """One printed label: the number of an item and the serial of this print, counted from 1."""

    number: str
    serial: int

    @property
    def code(self) -> str:
        """What the label carries, such as ``BRM0001L.2``."""
        return print_code(self.number, self.serial)


@dataclass(frozen=True, slots=True)
class Seen:
    """What somebody read off an item: a number, and from a print also its serial and perhaps its tag."""

    number: str
    serial: int | None = None
    tag: str | None = None

    @property
    def printed(self) -> Print | None:
        """The print that was scanned, or None where a bare number was typed."""
        return None if self.serial is None else Print(self.number, self.serial)


def check_character(text: str) -> str:
    """The ISO/IEC 7064 MOD 37,36 check character of a string over 0-9 and A-Z; case, spaces, hyphens are folded.

    Raises NotANumber for an empty string and for any other character.
    """
    folded = "".join(_pieces(text))
    if not folded:
        raise NotANumber(typed=_shown(text))
    # ISO/IEC 7064, hybrid system with modulus M = 36: each step adds a character modulo 36 (0 stands for 36), then
    # doubles modulo 37; the check character brings the last sum to 1.
    product = 36
    for character in folded:
        product = ((product + ALPHABET.index(character)) % 36 or 36) * 2 % 37
    return ALPHABET[(1 - product) % 36]


def parse(text: str) -> str:
    """The number that was typed with its check character, without it: ``brm-0001-l`` gives ``BRM0001``.

    Raises NotANumber(typed=) where it cannot be a number, WrongCheckCharacter(typed=, number=) where no reading
    of it ends in its check character.
    """
    readings = list(_readings(text))
    if not readings:
        raise NotANumber(typed=_shown(text))
    for number, check in readings:
        if check_character(number) == check:
            return number
    raise WrongCheckCharacter(typed=_shown(text), number=readings[0][0])


def issuable(number: str) -> bool:
    """Whether this may be given out: a well-formed number whose check character is neither O nor I."""
    return _NUMBER.fullmatch(number) is not None and check_character(number) not in "OI"


def make(prefix: str, serial: int, width: int = 4) -> str:
    """The number of a prefix and a serial, filled with zeros to ``width`` digits; wider serials simply grow.

    Raises NotANumber for a prefix with other than 1 to 6 letters or with O or I, and beyond 8 digits. It does not
    ask whether the number is issuable.
    """
    number = f"{prefix}{serial:0{width}d}"
    if not _PREFIX.fullmatch(prefix) or not _NUMBER.fullmatch(number):
        raise NotANumber(typed=_shown(number))
    return number


def numbers_after(prefix: str, last_serial: int, count: int, width: int = 4) -> list[str]:
    """The next ``count`` issuable numbers after ``last_serial`` (0 before the first), in order.

    Raises NotANumber as ``make`` does, also when the digits run out.
    """
    following = (make(prefix, serial, width) for serial in counting(last_serial + 1))
    return list(islice(filter(issuable, following), count))


def serial_of(number: str) -> int:
    """The serial in a canonical number: 1 for ``BRM0001``. Raises NotANumber for anything else."""
    return int(_parts(number)[1])


def prefix_of(number: str) -> str:
    """The prefix of a canonical number: ``BRM`` for ``BRM0001``. Raises NotANumber for anything else."""
    return _parts(number)[0]


def display(number: str) -> str:
    """A canonical number as people see it: ``BRM0001`` gives ``BRM-0001-L``. Raises NotANumber."""
    prefix, serial = _parts(number)
    return f"{prefix}-{serial}-{check_character(number)}"


def print_code(number: str, serial: int) -> str:
    """What a print carries: ``BRM0001L.2`` for the second print of BRM0001. Raises NotANumber."""
    _parts(number)
    if not 1 <= serial <= PRINT_SERIAL_MAX:
        raise NotANumber(typed=f"{number}.{serial}")
    return f"{number}{check_character(number)}.{serial}"


def parse_seen(text: str) -> Seen:
    """Read a typed number, a print code, or a scanned address that ends in a print code.

    A query or fragment of the address is ignored. Raises NotANumber or WrongCheckCharacter, as ``parse`` does.
    """
    number, *rest = _last_segment(text).split(".")
    if len(rest) > 2:
        raise NotANumber(typed=_shown(text))
    serial = _serial(rest[0], text) if rest else None
    tag = _tag(rest[1], text) if len(rest) > 1 else None
    return Seen(parse(number), serial, tag)


def _last_segment(text: str) -> str:
    if "/" not in text:
        return text.strip()
    return re.split(r"[?#]", text.strip(), maxsplit=1)[0].rstrip("/").rpartition("/")[2]


def _serial(part: str, text: str) -> int:
    typed = "".join(_pieces(part))
    serial = int(typed.translate(_AS_DIGITS)) if _SERIAL_TYPED.fullmatch(typed) else 0
    if serial == 0:
        raise NotANumber(typed=_shown(text))
    return serial


def _tag(part: str, text: str) -> str:
    if not _TAG.fullmatch(part):
        raise NotANumber(typed=_shown(text))
    return part


def _parts(number: str) -> tuple[str, str]:
    match = _NUMBER.fullmatch(number)
    if match is None:
        raise NotANumber(typed=_shown(number))
    return match["prefix"], match["digits"]


def _pieces(text: str) -> list[str]:
    """The typed text in capitals, cut where somebody put spaces or hyphens."""
    pieces = [piece for piece in _SEPARATORS.split(text.translate(_FOLD)) if piece]
    if any(character not in ALPHABET for piece in pieces for character in piece):
        raise NotANumber(typed=_shown(text))
    return pieces


def _readings(text: str) -> Iterator[tuple[str, str]]:
    """Every (number, check character) that the text can stand for, the longest prefix first.

    Only an L right behind the prefix leaves a choice: it may belong to the prefix or be a 1. A typed hyphen or
    space between prefix and digits decides; without one the longest prefix stands first, so that a code that we
    printed ourselves always reads as itself.
    """
    pieces = _pieces(text)
    typed = "".join(pieces)
    body, check = typed[:-1], typed[-1:].translate(_AS_CHECK)
    cuts = [cut for cut in range(min(PREFIX_LETTERS_MAX, len(body)), 0, -1) if _may_cut(body, cut)]
    marked = {sum(map(len, pieces[:n])) for n in range(1, len(pieces))}
    for cut in [cut for cut in cuts if cut in marked] or cuts:
        yield body[:cut] + body[cut:].translate(_AS_DIGITS), check


def _may_cut(body: str, cut: int) -> bool:
    return _PREFIX.fullmatch(body[:cut]) is not None and _DIGITS_TYPED.fullmatch(body[cut:]) is not None


def _shown(text: str) -> str:
    return text if len(text) <= _SHOWN_MAX else text[:_SHOWN_MAX] + "…"
