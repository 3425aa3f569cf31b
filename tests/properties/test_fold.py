"""The fold looks only backwards: from whichever instant it goes on, it comes to the same."""

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from shipsvc.domain import fold
from shipsvc.domain.book import KnownBalance
from shipsvc.domain.facts import Fact, Named, Trip
from shipsvc.domain.mass import Balance
from shipsvc.domain.places import Kept
from shipsvc.domain.rulebook import Rulebook, Version
from shipsvc.domain.states import NOTHING, Change, Outcome, State
from tests.properties.stories import INFOS, MINUTES, START, THINGS, Said, stories

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
BALANCES = {"B2": KnownBalance(Balance(10_000, 20_000), date(2027, 1, 31))}
KEEPS = {"TRP-N1": [Kept(START, START, "N")], "TSI-N1": [Kept(START + timedelta(days=3), START, "D")]}
RULEBOOK = Rulebook({code: [Version(EPOCH, EPOCH, held)] for code, held in BALANCES.items()})
TRIP = Trip("T-01", "TRP", "TSI")


def facts_of(story: Iterable[Said]) -> list[Fact]:
    """The facts of a story as they were told, one after the other."""
    return [
        Fact(
            id=f"{place:04}",
            kind=said.kind,
            subjects=said.subjects,
            happened_at=said.at,
            recorded_at=START + timedelta(days=100, seconds=place),
            acting_for=said.party,
            body=said.body,
            trip=TRIP if said.body.get("shipment") else None,
        )
        for place, said in enumerate(story)
    ]


def run(start: dict[str, State], facts: Sequence[Fact], attached: dict[Named, str]) -> Outcome:
    """The fold over the things of all stories."""
    return fold.run(start, facts, INFOS, attached, RULEBOOK, KEEPS)


def changes_from(outcome: Outcome, item: str, cut: datetime, state: State) -> list[Change]:
    """What really changed for an item from an instant on, beginning with its state just before."""
    found = []
    for change in outcome.changes.get(item, []):
        if change.at >= cut and change.state != state:
            found.append(change)
        state = change.state
    return found


def before(outcome: Outcome, item: str, cut: datetime) -> State:
    """The state of an item just before an instant."""
    return next((c.state for c in reversed(outcome.changes.get(item, [])) if c.at < cut), NOTHING)


@settings(max_examples=120, deadline=None)
@given(stories, st.integers(0, MINUTES))
def test_going_on_from_any_instant_gives_the_same(story: list[Said], minute: int) -> None:
    """Folding all facts, or only the later ones onto the states that the earlier ones left, comes to the same."""
    facts = facts_of(story)
    cut = START + timedelta(hours=30 * minute)
    whole = run({}, facts, {})
    states = {item: before(whole, item, cut) for item in THINGS}
    labels = [f for f in sorted(facts, key=lambda f: (f.happened_at, f.id)) if f.kind == "label_attached"]
    attached = {f.subjects[0]: str(f.body["to"]) for f in labels if f.happened_at < cut}

    later = [f for f in facts if f.happened_at >= cut]
    resumed = run(states, later, attached)

    for item in THINGS:
        assert changes_from(resumed, item, cut, states[item]) == changes_from(whole, item, cut, states[item])
    ids = {f.id for f in later}
    assert [f for f in whole.flags if f.event_id in ids] == resumed.flags
    assert [c for c in whole.comparisons if c[1].id in ids] == resumed.comparisons
    assert [e for e in whole.entries if e.fact.id in ids] == resumed.entries
    assert [b for b in whole.births if b.event_id in ids] == resumed.births
    assert {e: r for e, r in whole.resolved.items() if e in ids} == resumed.resolved


@settings(max_examples=60, deadline=None)
@given(stories)
def test_no_story_makes_a_thing_hold_itself(story: list[Said]) -> None:
    """Whatever is told, nests stay trees, spans have a length, and what has ended is in nothing and with nobody."""
    whole = run({}, facts_of(story), {})
    instants = sorted({c.at for changes in whole.changes.values() for c in changes})
    for at in instants:
        states = {item: before(whole, item, at + timedelta(seconds=1)) for item in THINGS}
        for item in THINGS:
            above = [item]
            while (parent := states[above[-1]].parent) is not None:
                assert parent not in above
                above.append(parent)
    for changes in whole.changes.values():
        assert all(one.at < other.at for one, other in pairwise(changes))
        assert all(c.state.parent is None for c in changes if c.state.custody.state == "ended")
