"""A running sum that alarms opens a case: of the sample that was posted, and of each group that the posting belongs to.

It is the owner's own affair: sums by person or holder are suspicions. The larger sum of the two that alarm, in units of
its limit, names the cause, by powers of two: a loss that has doubled since is another cause, so it opens another case.
"""

import math
from collections.abc import Collection
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from shipsvc.app import case_rules, drift
from shipsvc.app.case_rules import Alarm
from shipsvc.app.decisions import AHEAD_TOLERATED
from shipsvc.app.drift import GROUPINGS, By, Group
from shipsvc.domain.cases import CaseKind
from shipsvc.domain.drift import CHART_H
from shipsvc.domain.mass import Mass
from shipsvc.domain.verdicts import WATCH_R_MAX
from shipsvc.store import items, ledger
from shipsvc.store.reads import Moment

RULE: Final = "drift"
#: What moves what is unexplained without being an act on the material: decisions, and what changes earlier words.
SETS: Final = frozenset(("posted", "rebased", "amended"))
_BY: Final[tuple[By, ...]] = ("sample", *GROUPINGS)


def sound(connection: sa.Connection, kinds: Collection[str], changed: Collection[str], recorded_at: datetime) -> None:
    """Open the cases of what alarms now, after facts of some kinds were recorded that changed these items.

    The last thing in a transaction (``case_rules.open_by_rule``).
    """
    if not SETS & set(kinds) or not changed:
        return
    when = Moment(recorded_at + AHEAD_TOLERATED, None, is_now=True)
    posted = ledger.unexplained_among(connection, changed)
    owners = {row["owner"] for row in items.by_numbers(connection, posted).values()}
    for owner in sorted(owners):
        postings = drift.of_owner(connection, owner, when)
        for by in _BY:
            for group in drift.groups(connection, postings, by, when):
                if not group.samples.isdisjoint(posted):
                    _sound(connection, group, recorded_at)


def _sound(connection: sa.Connection, group: Group, recorded_at: datetime) -> None:
    found = group.drift
    strength = abs(found.r) / WATCH_R_MAX if found.sum_alarms else 0.0
    chart = max(found.chart_low, found.chart_high) / CHART_H if found.chart_alarms else 0.0
    strength = max(strength, chart)
    if strength <= 1:
        return
    level = int(math.log2(strength)) if math.isfinite(strength) else "exact"
    side = "loss" if found.difference_ng < 0 else "gain"
    last = max(posting.at for posting in group.postings)
    alarm = Alarm(
        rule=RULE,
        key=f"{group.by} {group.key} {side} {level}",
        kind=CaseKind.MASS,
        items=sorted(group.samples),
        what=_words(group),
        because=f"The sum is over {WATCH_R_MAX:g} u, or the chart over {CHART_H:g}",
        found_at=min(recorded_at, last),
        happened_from=None,
        happened_to=last,
        internal=True,
        of_loan=False,
    )
    case_rules.open_by_rule(connection, recorded_at, alarm)


def _words(group: Group) -> str:
    found = group.drift
    mass, u = Mass(found.difference_ng).digits("mg"), Mass(round(found.u_ng)).digits("mg")
    steps = len(group.postings)
    return (
        f"Drift of {group.by} {drift.shown_key(group)}: {mass} mg in {steps} steps of {len(group.samples)} samples,"
        f" u {u} mg, r {found.r:.2f}; chart {found.chart_low:.2f} low, {found.chart_high:.2f} high."
    )
