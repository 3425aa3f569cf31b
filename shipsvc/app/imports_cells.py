"""Reading single cells of an import: numbers and names, codes, times, figures. Each raises Wrong, or Malformed."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from shipsvc.domain import codes, errors, times

HOW: Final = {
    name: how
    for how, names in {
        "weighed": ("weighed", "w"),
        "estimated": ("estimated", "estimate", "est", "est.", "e"),
        "declared": ("declared", "stated", "d"),
        "by_difference": ("by difference", "by_difference", "difference"),
    }.items()
    for name in names
}
NAME_CHARACTERS_MAX: Final = 100
_DAY_FIRST = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})")
_CODE = re.compile(r"[A-Z0-9][A-Z0-9-]{0,31}")
_PARTY = re.compile(r"([A-Z0-9][A-Z0-9-]{0,31})(/[a-z0-9][a-z0-9-]{0,31})?")


@dataclass(frozen=True)
class Ground:
    """What rows are read against: for whom, by which prefixes, places, balances and institutions, and how."""

    institution: str
    prefixes: Mapping[str, str | None]
    places: frozenset[str]
    balances: frozenset[str]
    zones: Mapping[str, str]
    now: datetime
    decimal: str | None = None
    date: str | None = None
    #: The decimal mark that the file was first seen to use, and in which line.
    marks: dict[str, int] = field(default_factory=dict)

    @property
    def zone(self) -> str:
        """In which bare dates are read."""
        return self.zones[self.institution]


class Wrong(Exception):
    """A cell that cannot be used, and what to do about it."""


def own_number(text: str, ground: Ground) -> tuple[str | None, str | None]:
    """A number of ours, or an old name."""
    try:
        number = codes.parse(text)
    except errors.WrongCheckCharacter as error:
        if codes.prefix_of(str(error.facts["number"])) in ground.prefixes:
            raise
        return None, words(text, NAME_CHARACTERS_MAX)
    except errors.NotANumber:
        return None, words(text, NAME_CHARACTERS_MAX)
    if codes.prefix_of(number) not in ground.prefixes:
        why = f"{codes.prefix_of(number)} is no prefix of {ground.institution}. Claim it first, or leave the row out."
        raise Wrong(why)
    return number, None


def aliases(text: str) -> tuple[str, ...]:
    """Old names; none of them may read as a number of ours."""
    found = tuple(
        dict.fromkeys(words(name.strip(), NAME_CHARACTERS_MAX) for name in re.split(r"[;|]", text) if name.strip())
    )
    for name in found:
        try:
            number = codes.parse_seen(name).number
        except errors.Malformed:
            continue
        why = f"{name} reads as the number {codes.display(number)}. Put something before it, as in old:{name}."
        raise Wrong(why)
    return found


def reference(text: str, ground: Ground) -> str:
    """A canonical number, or an old name as it stands behind a "=", which no number has."""
    try:
        return codes.parse_seen(text).number
    except errors.WrongCheckCharacter as error:
        if codes.prefix_of(str(error.facts["number"])) in ground.prefixes:
            raise
    except errors.NotANumber:
        pass
    return f"={words(text, NAME_CHARACTERS_MAX)}"


def prefix(text: str, ground: Ground) -> str:
    """A prefix of the institution."""
    if text.upper() not in ground.prefixes:
        raise Wrong(f"{text} is no prefix of {ground.institution}.")
    return text.upper()


# ------------------------------------------------------------------------------------------------------ words and codes
def words(text: str, longest: int) -> str:
    """The text, if it is short enough and holds nothing that controls."""
    if len(text) > longest:
        raise Wrong(f"it has {len(text)} characters. Keep it to {longest}.")
    if re.search(r"[\x00-\x08\x0e-\x1f\x7f]", text):
        raise Wrong("it holds a control character. Take that out.")
    return text


def one_of(text: str, allowed: frozenset[str]) -> str:
    """One of a closed list, in small letters."""
    if text.casefold() not in allowed:
        raise Wrong(f'"{text}" is none of {", ".join(sorted(allowed))}.')
    return text.casefold()


def known(text: str, known: frozenset[str], what: str, route: str) -> str:
    """The code of a document that is there, in capitals."""
    if text.upper() not in known:
        raise Wrong(f"there is no {what} {text.upper()} here. Add it first ({route}), or correct the code.")
    return text.upper()


def party(text: str, ground: Ground) -> str:
    """An institution that is there, perhaps with a desk of it."""
    whose, slash, desk = text.partition("/")
    said = f"{whose.upper()}{slash}{desk.lower()}"
    if not _PARTY.fullmatch(said) or whose.upper() not in ground.zones:
        raise Wrong(f"there is no institution {whose.upper()}. Write its code, and a desk as in TRP/mail-room.")
    return said


def moment(text: str, ground: Ground) -> str:
    """A time as the one door takes it: RFC 3339, or a bare day, month or year. Wrong, NotATime."""
    if (found := _DAY_FIRST.fullmatch(text)) is not None:
        text = f"{found[3]}-{int(found[2]):02}-{int(found[1]):02}"
    try:
        span = times.parse_span(text, ground.zone)
    except (errors.Malformed, OverflowError):
        raise Wrong(
            f'"{text}" is no time. Write 2019-05-17, 17.05.2019, 2019-05, 2019 or 2019-05-17T09:30:00Z.'
        ) from None
    if span.earliest > ground.now:
        raise Wrong(f"{text} is still to come.")
    return text


def with_day(ground: Ground, text: str) -> Ground:
    """The same ground for rows without a date: they happened then. Malformed where that is no time."""
    try:
        return replace(ground, date=moment(text, ground))
    except Wrong as error:
        raise errors.Malformed(why=f"--date: {error}") from None


def due(text: str) -> str:
    """A day, as RFC 3339 writes it."""
    found = _DAY_FIRST.fullmatch(text)
    iso = f"{found[3]}-{int(found[2]):02}-{int(found[1]):02}" if found else text
    try:
        return times.parse_date(iso).isoformat()
    except errors.Malformed:
        raise Wrong(f'"{text}" is no day. Write 2027-05-17 or 17.05.2027.') from None


def how(text: str) -> str:
    """How a mass is known, in the words of the facts."""
    if text.casefold() not in HOW:
        raise Wrong(f'"{text}" is none of weighed, estimated, declared, by difference.')
    return HOW[text.casefold()]


def figure(text: str, decimal: str | None) -> str:
    """The figure with a decimal point. A comma is one too, unless it could be something else."""
    text = text.replace("−", "-")
    marks = re.findall(r"[.,]", text)
    if len(marks) > 1:
        raise Wrong(f"{text} groups its digits. Write them without: 1204.5.")
    if marks and decimal and marks[0] != decimal:
        raise Wrong(f'{text} has another decimal mark than "{decimal}", which --decimal says.')
    if marks == [","] and not decimal and re.fullmatch(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}", text):
        raise Wrong(f"{text} may be a thousand or a decimal. Say --decimal comma, or write it with a point or without.")
    return text.replace(",", ".")


def code(text: str) -> str:
    """A code of ours, in capitals."""
    if not _CODE.fullmatch(text.upper()):
        raise Wrong(f'"{text}" is no code. Use up to 32 letters, digits and hyphens.')
    return text.upper()
