"""Running sums that alarm open a case: of what was posted, and of each group that it belongs to.

It is the owner's own affair: sums by person or holder are suspicions. What alarms together is one case (D35): groups
that share a step are told in one text, the most telling first (``_by_telling``). While a case is undecided, what alarms
later of a group that it names, or of steps that such a group shares, is an entry in it. A cause is a group, whether it
lost or gained, and by powers of two how far it is beyond its limit: a loss that has doubled since is another cause,
which is an entry while the case is undecided and else opens another one. A cause is told once.
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Final

import sqlalchemy as sa

from shipsvc.app import case_rules, drift
from shipsvc.app.case_rules import Alarm
from shipsvc.app.decisions import AHEAD_TOLERATED
from shipsvc.app.drift import GROUPINGS, By, Group
from shipsvc.domain.cases import UNDECIDED, CaseKind
from shipsvc.domain.drift import CHART_H, Drift, drift_of_many
from shipsvc.domain.mass import Mass
from shipsvc.domain.verdicts import WATCH_R_MAX
from shipsvc.store import cases, items, ledger
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment

RULE: Final = "drift"
#: What moves what is unexplained without being an act on the material: decisions, and what changes earlier words.
SETS: Final = frozenset(("posted", "rebased", "amended"))
_BY: Final[tuple[By, ...]] = ("sample", *GROUPINGS)
#: The key by person of steps whose weighing is nobody's, which is no id.
_NOBODY: Final = "unknown"


@dataclass(frozen=True)
class Loud:
    """A group whose sum or chart alarms, with what it has come to."""

    group: Group
    found: Drift

    @property
    def sided(self) -> str:
        """The group, and whether it lost or gained."""
        return f"{_name(self.group)} {'loss' if self.found.difference_ng < 0 else 'gain'}"

    @property
    def level(self) -> float:
        """How far it is beyond its limit by powers of two; infinite where nothing is uncertain."""
        return _level(self.found)

    @property
    def cause(self) -> str:
        """What a case is there for."""
        return f"{self.sided} {'exact' if math.isinf(self.level) else self.level}"

    @property
    def person(self) -> str | None:
        """The person whom its words name by id."""
        return self.group.key if self.group.by == "person" and self.group.key != _NOBODY else None

    @cached_property
    def steps(self) -> frozenset[tuple[str, int]]:
        """Its steps, each by sample and place."""
        return _steps(self.group)

    def explains(self, wider: "Loud") -> bool:
        """Whether a group of as many steps or more would not have come so far without the steps of this one."""
        if len(wider.steps) < len(self.steps) or self.steps.isdisjoint(wider.steps):
            return False
        rest = [one.linked for one in wider.group.postings if (one.linked.sample, one.linked.place) not in self.steps]
        return not rest or _level(drift_of_many(rest)) < wider.level


def sound(connection: sa.Connection, kinds: Collection[str], changed: Collection[str], recorded_at: datetime) -> None:
    """Open the cases of what alarms now, after facts of some kinds were recorded that changed these items.

    The last thing in a transaction (``case_rules.open_by_rule``).
    """
    if not SETS & set(kinds) or not changed:
        return
    posted = ledger.unexplained_among(connection, changed)
    owners = {row["owner"] for row in items.by_numbers(connection, posted).values()}
    for owner in sorted(owners):
        _of_owner(connection, owner, posted, recorded_at)


def _of_owner(connection: sa.Connection, owner: str, posted: Collection[str], recorded_at: datetime) -> None:
    when = Moment(recorded_at + AHEAD_TOLERATED, None, is_now=True)
    postings = drift.of_owner(connection, owner, when)
    every = (group for by in _BY for group in drift.groups(connection, postings, by, when))
    touched = [group for group in every if not group.samples.isdisjoint(posted)]
    alarming = [loud for loud in (Loud(group, group.drift) for group in touched) if loud.level >= 0]
    if not alarming:
        return
    cases.hold_owner(connection, owner)
    causes = cases.causes(connection, RULE, owner)
    worst = _worst(causes)
    named = _named(causes, touched)
    for together in _sharing([loud for loud in alarming if loud.level > worst.get(loud.sided, -1)]):
        steps = frozenset(step for loud in together for step in loud.steps)
        theirs = {code: groups for code, groups in named.items() if any(steps & _steps(one) for one in groups)}
        _tell(connection, owner, _by_telling(together), theirs, recorded_at)


def _worst(causes: Sequence[Row]) -> dict[str, float]:
    """How far beyond its limit each group and side was told to be at the worst."""
    found: dict[str, float] = {}
    for row in causes:
        sided, level = row["key"].rsplit(" ", 1)
        found[sided] = max(found.get(sided, -1), math.inf if level == "exact" else int(level))
    return found


def _named(causes: Sequence[Row], touched: Sequence[Group]) -> dict[str, list[Group]]:
    """The groups that undecided cases name, by case, of those that what was posted belongs to; the oldest case first.

    They share steps with what alarms also where they alarm no more.
    """
    by_name = {_name(group): group for group in touched}
    found: dict[str, list[Group]] = {}
    for row in causes:
        group = by_name.get(row["key"].rsplit(" ", 2)[0])
        if group is not None and row["state"] in UNDECIDED:
            found.setdefault(row["code"], []).append(group)
    return found


def _sharing(alarming: Sequence[Loud]) -> list[list[Loud]]:
    """Those together that share a step, or share one with others that do."""
    found: list[list[Loud]] = []
    for loud in alarming:
        joined = [some for some in found if any(not loud.steps.isdisjoint(one.steps) for one in some)]
        found = [some for some in found if some not in joined]
        found.append([*(one for some in joined for one in some), loud])
    return found


def _by_telling(together: Sequence[Loud]) -> list[Loud]:
    """The most telling group first: the one that explains most of the others, which would not have come so far beyond
    their limits without its steps, counting those that are no narrower; of equals the narrowest, by steps and by
    samples; of these in the order of ``_BY``.

    So a balance that lost with each of ten samples comes before them, and a sample that lost alone before its balance.
    """

    def rank(loud: Loud) -> tuple[int, int, int, int, str]:
        explained = sum(loud.explains(other) for other in together if other is not loud)
        group = loud.group
        return -explained, len(loud.steps), len(group.samples), _BY.index(group.by), group.key

    return sorted(together, key=rank)


def _tell(
    connection: sa.Connection,
    owner: str,
    alarming: Sequence[Loud],
    named: Mapping[str, Sequence[Group]],
    recorded_at: datetime,
) -> None:
    """In a case that is there and undecided, else in a new one, about the samples of the most telling group."""
    causes = {loud.cause: loud.person for loud in alarming}
    numbers = sorted(alarming[0].group.samples)
    for code, groups in named.items():
        again = frozenset(_name(group) for group in groups)
        if case_rules.join_open(connection, recorded_at, _alarm(alarming, again, recorded_at), code, numbers, causes):
            return
    case_rules.open_anew(connection, recorded_at, _alarm(alarming, frozenset(), recorded_at), owner, numbers, causes)


def _alarm(alarming: Sequence[Loud], again: Collection[str], recorded_at: datetime) -> Alarm:
    last = max(posting.at for loud in alarming for posting in loud.group.postings)
    return Alarm(
        rule=RULE,
        key=alarming[0].cause,
        kind=CaseKind.MASS,
        items=sorted(alarming[0].group.samples),
        what="\n".join(_words(alarming, again)),
        because=f"The sum is over {WATCH_R_MAX:g} u, or the chart over {CHART_H:g}",
        found_at=min(recorded_at, last),
        happened_from=None,
        happened_to=last,
        internal=True,
        of_loan=False,
    )


# ---------------------------------------------------------------------------------------------------------------- words
def _words(alarming: Sequence[Loud], again: Collection[str]) -> Iterator[str]:
    """A line for each group, after one that says what they are."""
    yield "What is unexplained adds up to more than weighing explains."
    for loud in alarming:
        before = " Named here before." if _name(loud.group) in again else ""
        yield f"{loud.group.by.capitalize()} {drift.shown_key(loud.group)}: {_sum(loud)}.{before}"


def _sum(loud: Loud) -> str:
    group, found = loud.group, loud.found
    mass, limit = Mass(found.difference_ng).digits("mg"), Mass(_rounded(WATCH_R_MAX * found.u_ng)).digits("mg")
    since = min(posting.since for posting in group.postings)
    said = (
        f"{mass} mg in {_counted(len(group.postings), 'step')} of {_counted(len(group.samples), 'sample')}"
        f" since {since:%Y-%m-%d %H:%M} UTC, limit {limit} mg"
    )
    for what, chart in (("losses", found.chart_low), ("gains", found.chart_high)):
        if chart > CHART_H:
            said += f"; chart of {what} {chart:.2f}, limit {CHART_H:g}"
    return said


def _rounded(value_ng: float) -> int:
    """To three digits, as an uncertainty is told."""
    whole = round(value_ng)
    return round(whole, min(0, 3 - len(str(whole))))


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


# --------------------------------------------------------------------------------------------------------------- groups
def _name(group: Group) -> str:
    return f"{group.by} {group.key}"


def _steps(group: Group) -> frozenset[tuple[str, int]]:
    return frozenset((posting.linked.sample, posting.linked.place) for posting in group.postings)


def _level(found: Drift) -> float:
    """By how many doublings the larger of the two that alarm is beyond its limit; less than 0 where none is."""
    total = abs(found.r) / WATCH_R_MAX if found.sum_alarms else 0.0
    chart = max(found.chart_low, found.chart_high) / CHART_H if found.chart_alarms else 0.0
    strength = max(total, chart)
    if strength <= 1:
        return -1
    return math.floor(math.log2(strength)) if math.isfinite(strength) else math.inf
