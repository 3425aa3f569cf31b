"""What needs a second person (rulings 2 and 3): which words of one person somebody else has to confirm.

A fact holds at once and stays flagged until then; a decision takes effect on it.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from shipsvc.domain.book import Stated, stated
from shipsvc.domain.facts import Named
from shipsvc.domain.rulebook import Rulebook, Rules

#: A stated mass may be put right by so many of its standard uncertainties (rulings 3).
MOVED_MAX_U = 3
#: Facts that say what a number is or which material went where: taking one back changes what others mean.
OF_IDENTITY = frozenset({"label_attached", "registered", "divided", "combined", "embedded"})
#: Decisions of ours that take effect once somebody else confirms them.
DECIDED = frozenset({"written_off", "lost_decided", "reserve_set"})
#: Members of a body that hold one stated mass for each number.
_SHEETS = ("children", "parents")


@dataclass(frozen=True, slots=True)
class Word:
    """One version of a fact as somebody told it, and the numbers it bears on; kind "" where it takes the fact back."""

    id: str
    actor: str
    acting_for: str
    numbers: frozenset[str]
    kind: str = ""
    subjects: tuple[Named, ...] = ()
    body: Mapping[str, Any] = field(default_factory=dict)
    #: That it opens what came back on a shipment from somebody else to its owner.
    opens_return: bool = False
    #: When it says that it happened, and when it was told: an amendment is judged by what was known of balances then.
    happened_at: datetime | None = None
    recorded_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Confirmation:
    """That somebody confirms a version of a fact: who, for whom, of which numbers; whether they kept one of the things
    in their custody when they said so, and whether it is a program that says it."""

    word: str
    actor: str
    acting_for: str
    numbers: frozenset[str]
    custodian: bool = False
    program: bool = False


def why_not(word: Word, said: Confirmation, owners: Collection[str]) -> str | None:
    """Why a confirmation does not count, as the code of a flag; None where it does.

    It is for another person, no program and no custodian, who speaks for the same institution or for an owner.
    """
    if said.actor == word.actor:
        return "same_person"
    if said.program:
        return "program_confirms"
    if said.custodian:
        return "custodian_confirms"
    concerned = said.acting_for in {word.acting_for, *owners} and said.numbers & word.numbers
    return None if concerned else "confirms_for_others"


def awaiting(
    chain: Sequence[Word], said: Collection[Confirmation], owners: Collection[str], rulebook: Rulebook
) -> tuple[Word, str] | None:
    """The newest version of a fact and why it awaits a second person; None where it awaits none.

    Each version is held against the last one that needed nobody or was confirmed, so that a second amendment by the
    same hand does not make the first one good.
    """
    settled: Word | None = None
    waits = None
    for word in chain:
        waits = moved(settled, word, rulebook) if settled else need(word)
        if waits is None or _confirmed(word, said, owners):
            settled, waits = word, None
    return (chain[-1], waits) if waits else None


def _confirmed(word: Word, said: Iterable[Confirmation], owners: Collection[str]) -> bool:
    return any(one.word == word.id and why_not(word, one, owners) is None for one in said)


def need(word: Word) -> str | None:
    """Why a word needs a second person by itself, whatever was told before."""
    if word.kind == "label_voided" and word.body.get("in_use") is True:
        return "a label that is in use is to be void"
    if word.opens_return:
        return "what came back was opened"
    if word.kind == "reserve_set":
        return "a sample is to leave the reserve" if word.body.get("reserve") is not True else None
    return "a sample is to be written off" if word.kind in DECIDED else None


def moved(before: Word, after: Word, rulebook: Rulebook) -> str | None:
    """What an amendment moves that needs a second person: an identity, a mass by more than 3 u, or a sample out of the
    reserve (trade step 34: not nibbled at by way of mending a word).

    By the balances as they were known when it was told: what is learned of one later asks nobody again.
    """
    if _of_other_things(before, after):
        return "it is told of other things than before"
    if before.body.get("reserve") is True and after.body.get("reserve") is not True:
        return "it takes a sample out of the reserve"
    rules = _rules(before, after, rulebook)
    old, new = _masses(before, rules), _masses(after, rules)
    if any(_far(old.get(name), new.get(name)) for name in old.keys() | new.keys()):
        return f"it moves a mass by more than {MOVED_MAX_U} u"
    return None


def _of_other_things(before: Word, after: Word) -> bool:
    if before.kind and after.kind:
        return _about(before) != _about(after)
    return before.kind != after.kind and not OF_IDENTITY.isdisjoint({before.kind, after.kind})


def _about(word: Word) -> object:
    body = word.body
    made = frozenset(str(entry.get("number")) for name in _SHEETS for entry in _entries(body, name))
    vial = body.get("into") if body.get("material") is True else None
    return frozenset(word.subjects), body.get("to") if word.kind == "label_attached" else None, made, vial


def _rules(before: Word, after: Word, rulebook: Rulebook) -> Rules:
    at = after.happened_at or before.happened_at
    known = rulebook.known_on(after.recorded_at) if after.recorded_at else rulebook
    return known.at(at) if at else Rules()


def _masses(word: Word, rules: Rules) -> dict[str, Stated]:
    told = word.body if word.body.get("mass") else {**word.body, "mass": word.body.get("gross")}
    found = {"": stated(told, rules), "loss": stated(word.body.get("loss") or {}, rules)}
    for name in _SHEETS:
        found |= {f"{name} {e.get('number')}": stated(e, rules) for e in _entries(word.body, name)}
    return {name: mass for name, mass in found.items() if mass}


def _entries(body: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    return [entry for entry in body.get(name) or () if isinstance(entry, Mapping)]


def _far(old: Stated | None, new: Stated | None) -> bool:
    if old is None or new is None:
        return True
    u_ng: float = max(old.variance, new.variance) ** 0.5
    return abs(new.ng - old.ng) > MOVED_MAX_U * u_ng
