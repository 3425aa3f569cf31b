"""Whatever is told of whatever samples, the ledger adds up to nothing and says what the books say."""

from datetime import datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from shipsvc.domain import ledger
from shipsvc.domain.ledger import Account, Side, accession_total_ng, balances, moved, sample
from shipsvc.domain.states import Outcome
from tests.properties.stories import SAMPLES, START, UNKNOWN, Said, stories
from tests.properties.test_fold import before, facts_of, run

FAR = START + timedelta(days=1000)
ALL = (*SAMPLES, *UNKNOWN)
terminal = st.sampled_from([Side(one) for one in Account if one is not Account.SAMPLE])
sides = terminal | st.sampled_from(ALL).map(sample)


def told(outcome: Outcome, until: datetime | None = None) -> dict[Side, int]:
    """What the accounts hold after all facts before an instant."""
    return balances(e.move for e in outcome.entries if until is None or e.fact.happened_at < until)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(sides, sides, st.integers(-(10**12), 10**12)).filter(lambda t: t[0] != t[1]), max_size=20))
def test_moves_of_either_sign_add_up_to_zero(steps: list[tuple[Side, Side, int]]) -> None:
    """Whatever is moved between whatever accounts; and the way there and back leaves nothing."""
    moves = [move for source, target, ng in steps for move in moved(source, target, ng)]
    back = [move for source, target, ng in steps for move in moved(source, target, -ng)]

    held = balances(moves)

    assert sum(held.values()) == 0
    assert accession_total_ng(held) == sum(
        ng for side, ng in held.items() if side not in (ledger.ORIGIN, ledger.REBASIS)
    )
    assert set(balances([*moves, *back]).values()) <= {0}


@settings(max_examples=300, deadline=None)
@given(stories)
def test_every_book_is_the_balance_of_its_account(story: list[Said]) -> None:
    """At every instant, for every sample; and none is below zero that no fact was flagged for."""
    outcome = run({}, facts_of(story), {})
    instants = sorted({c.at for changes in outcome.changes.values() for c in changes})
    below = {f.item for f in outcome.flags if f.code == "below_zero"}
    for until in [*instants[1:], None]:
        held = told(outcome, until)
        assert sum(held.values()) == 0
        for item in ALL:
            state = before(outcome, item, until or FAR)
            mass_ng = state.book.mass_ng or 0
            assert held.get(sample(item), 0) == mass_ng
            assert mass_ng >= 0 or item in below
