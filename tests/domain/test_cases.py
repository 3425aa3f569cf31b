"""The states of a case (trade section 5.3) and by when each kind is to be decided (trade 2.3 and step 31)."""

from datetime import timedelta
from itertools import product

import pytest

from shipsvc.domain import errors
from shipsvc.domain.cases import DECIDE_WITHIN, CaseAct, CaseKind, CaseState, moved
from shipsvc.store.tables_cases import CASE_KINDS, CASE_STATES

WAYS = {
    ("open", "contain"): "contained",
    ("open", "decide"): "decided",
    ("contained", "decide"): "decided",
    ("decided", "close"): "closed",
    ("decided", "reopen"): "open",
    ("closed", "reopen"): "open",
}


@pytest.mark.parametrize(("state", "act"), list(product(CaseState, CaseAct)))
def test_where_each_act_leads(state: CaseState, act: CaseAct) -> None:
    """Open, contained, decided, closed; reopenable: those ways and no other."""
    if (state, act) in WAYS:
        assert moved(state, act) == WAYS[state, act]
    else:
        with pytest.raises(errors.RuleForbids, match=state):
            moved(state, act)


def test_the_tables_know_the_same_words() -> None:
    """What the database lets in is what the domain names."""
    assert tuple(CaseKind) == CASE_KINDS
    assert tuple(CaseState) == CASE_STATES


def test_loss_and_theft_are_decided_on_the_next_day() -> None:
    """Guidance for controlled drugs: report within one business day (trade 2.3); every kind has a day."""
    assert DECIDE_WITHIN.keys() == set(CaseKind)
    assert {DECIDE_WITHIN[kind] for kind in (CaseKind.LOSS, CaseKind.SUSPECTED_THEFT)} == {timedelta(days=1)}
    assert min(DECIDE_WITHIN.values()) == timedelta(days=1)
