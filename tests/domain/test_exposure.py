"""Time out: worked examples of demo.md 7.3, and the interval library ``portion`` as a second opinion."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import portion
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shipsvc.domain.evidence import NOT_PROVEN_IN, OUT
from shipsvc.domain.exposure import Birth, Course, Stay, TimeOut, time_out
from shipsvc.domain.times import parse_instant
from shipsvc.store.tables_derived import STATUSES

START = datetime(2025, 1, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def at(minute: int) -> datetime:
    """An instant, in minutes from the beginning."""
    return START + timedelta(minutes=minute)


def life(*changes: tuple[int, str], end: int = 10_000, accessioned: bool = True) -> list[Stay]:
    """Stays one behind the other, each from its minute on."""
    ends = [minute for minute, _ in changes[1:]] + [end]
    return [Stay(at(m), at(e), s, accessioned) for (m, s), e in zip(changes, ends, strict=True) if m < e]


def minutes(delta: timedelta) -> int:
    """A length in whole minutes."""
    assert delta % timedelta(minutes=1) == timedelta()
    return delta // timedelta(minutes=1)


def figures(found: TimeOut) -> tuple[int, int, int, int, int]:
    """All five figures in minutes."""
    return (
        minutes(found.at_least),
        minutes(found.at_most),
        minutes(found.longest_at_least),
        minutes(found.longest_at_most),
        minutes(found.before_accession),
    )


def test_taken_out_counts_for_sure_and_the_rest_perhaps() -> None:
    """Design section 5: at least is taken out with no packing; packed, on the way, received, unknown only at most."""
    stays = life((0, "stored"), (10, "taken_out"), (40, "packed"), (50, "in_transit"), (90, "received"), (95, "stored"))

    found = time_out(stays, until=at(200))

    assert figures(found) == (30, 85, 30, 85, 0)
    assert found.possible.pairs == ((at(10), at(95)),)


def test_time_before_accession_stands_apart() -> None:
    """Trade 2.5: shown, not charged. demo.md 7.3: stone 1 fell on 2025-01-18 at 19:42 and was 42 h 58 min about."""
    fall, stored = parse_instant("2025-01-18T19:42:00Z"), parse_instant("2025-01-20T14:40:00Z")
    stays = [Stay(fall, stored, "unknown", False), Stay(stored, stored + 5 * HOUR, "stored", True)]

    found = time_out(stays, until=stored + HOUR)

    assert found.before_accession == timedelta(hours=42, minutes=58)
    assert (found.at_least, found.at_most) == (timedelta(), timedelta())


def test_what_is_asked_about_ends_the_count() -> None:
    """As of a moment while it is out, the time until then counts; a stay to come counts nothing."""
    stays = life((0, "stored"), (10, "taken_out"), (40, "stored"))

    assert figures(time_out(stays, until=at(25)))[:2] == (15, 15)
    assert figures(time_out(stays, until=at(10)))[:2] == (0, 0)


def test_a_piece_carries_its_parents_time_from_before_its_birth_only() -> None:
    """Trade case 37. demo.md 7.3, 0010: 1 h 45 of stone 1, 0 h 30 of 0007, 0 h 10 of its own are 2 h 25 min."""
    stone = time_out(life((0, "stored"), (100, "taken_out"), (205, "stored")), until=at(9_000))
    interior = life((1_000, "stored"), (2_000, "taken_out"), (2_030, "stored"), (5_000, "taken_out"), (5_090, "stored"))
    parent = time_out(interior, until=at(9_000), births=[(at(1_000), stone)])
    assert minutes(parent.at_least) == 105 + 30 + 90

    chip = life((2_030, "stored"), (3_000, "taken_out"), (3_010, "stored"))
    found = time_out(chip, until=at(9_000), births=[(at(2_030), parent)])

    assert minutes(found.at_least) == 145
    assert minutes(found.longest_at_least) == 105


def test_a_number_issued_before_its_material_was_there_has_no_time_of_its_own() -> None:
    """Numbers are issued before a split; until then they name nothing. The parent's accession covers the piece."""
    parent = time_out(life((0, "stored"), (100, "taken_out"), (130, "stored")), until=at(900))
    issued = life((50, "unknown"), (150, "stored"), accessioned=False)

    found = time_out(issued, until=at(900), births=[(at(130), parent)])

    # 30 min before its birth; then 20 min during which nobody has said where it is.
    assert figures(found) == (30, 50, 30, 50, 0)


def test_a_mixture_takes_the_worst_parent_for_each_figure() -> None:
    """Rulings 23: the longest stretch may come from one parent, the sum from the other. demo.md 7.3, 0024: 4 h 30."""
    often = time_out(
        life(*[(n * 100 + m, s) for n in range(5) for m, s in ((0, "taken_out"), (48, "stored"))]), until=at(990)
    )
    once = time_out(life((0, "taken_out"), (100, "packed"), (180, "stored")), until=at(990))
    mixed = life((900, "taken_out"), (930, "stored"))

    found = time_out(mixed, until=at(990), births=[(at(900), often), (at(900), once)])

    assert figures(found) == (240 + 30, 240 + 30, 100, 180, 0)


def test_a_stretch_goes_on_through_births() -> None:
    """Rulings 23: single is the longest connected stretch; a piece born while its parent is out is out all along."""
    busy = time_out(life((0, "taken_out"), (80, "stored")), until=at(990))
    calm = time_out(life((0, "stored"), (80, "taken_out")), until=at(990))
    mixture = time_out(
        life((100, "taken_out"), (105, "stored")), until=at(990), births=[(at(100), busy), (at(100), calm)]
    )
    assert (minutes(mixture.at_least), minutes(mixture.longest_at_least)) == (80 + 5, 80)

    piece = time_out(life((103, "taken_out"), (200, "stored")), until=at(990), births=[(at(103), mixture)])

    # By way of the parent that was out for less in all: from minute 80 on without a break.
    assert (minutes(piece.at_least), minutes(piece.longest_at_least)) == (80 + 100, 120)


def test_one_accessioned_parent_is_enough_to_charge() -> None:
    """Charge follows the material: a mixture of what was accessioned with what was not is charged from its making."""
    accessioned = time_out(life((0, "stored")), until=at(990))
    loose = time_out(life((0, "unknown"), accessioned=False), until=at(990))
    mixture = life((100, "unknown"), accessioned=False)

    assert figures(time_out(mixture, until=at(150), births=[(at(100), loose)])) == (0, 0, 0, 0, 150)
    both = time_out(mixture, until=at(150), births=[(at(100), loose), (at(100), accessioned)])
    assert figures(both) == (0, 50, 0, 50, 100)
    assert both.is_charged(at(0))


def test_mixing_into_what_was_there_keeps_its_own_past() -> None:
    """A sample that others are mixed into later has a life of its own before, which may be the worse one."""
    own = life((0, "taken_out"), (60, "stored"))
    added = time_out(life((0, "taken_out"), (20, "stored")), until=at(990))

    assert minutes(time_out(own, until=at(990), births=[(at(500), added)]).at_least) == 60


def test_mixtures_of_mixtures_stay_small() -> None:
    """Ten times mixed from two, the figures are those of the worst way back, and few ways are kept."""
    pair = [time_out(life((0, "taken_out"), (n, "stored")), until=at(9_000)) for n in (10, 20)]
    for generation in range(1, 11):
        births = [(at(generation * 100), parent) for parent in pair]
        pair = [
            time_out(life((generation * 100, s), (generation * 100 + 5, "stored")), until=at(9_000), births=births)
            for s in ("taken_out", "stored")
        ]

    assert minutes(pair[0].at_least) == 20 + 10 * 5
    assert all(len(found.courses) <= 9 for found in pair)


# --------------------------------------------------------------------------------------------------- by profile
def under(found: TimeOut) -> dict[str | None, tuple[int, int]]:
    """What each profile is charged, in minutes: at least, at most."""
    return {share.profile: (minutes(share.at_least), minutes(share.at_most)) for share in found.shares}


def test_time_is_charged_to_the_profile_then_in_force() -> None:
    """Rulings 23: each profile has its own account; the physical total beside them is longer than any of them."""
    own = [
        Stay(at(0), at(60), "taken_out", True, profile="N"),
        Stay(at(60), at(100), "stored", True, profile="N"),
        Stay(at(100), at(110), "in_transit", True, profile="C"),
        Stay(at(110), at(135), "taken_out", True, profile="C"),
        Stay(at(135), at(140), "stored", True, profile="C"),
    ]
    found = time_out(own, until=at(200))

    assert under(found) == {"C": (25, 35), "N": (60, 60)}
    assert figures(found)[:4] == (85, 95, 60, 60)
    assert (minutes(found.share("C").longest_at_least), minutes(found.share("C").longest_at_most)) == (25, 35)
    assert under(time_out(own, until=at(30))) == {"N": (30, 30)}


def test_a_piece_inherits_each_account_by_itself() -> None:
    """demo.md 7.3: 0017 was born with 2 h 55 min under N, and has 0 h 20 min of its own under D; N stays as it was."""
    stock = time_out([Stay(at(0), at(175), "taken_out", True, profile="N")], until=at(900))
    own = [
        Stay(at(500), at(700), "stored", True, profile="N"),
        Stay(at(700), at(720), "taken_out", True, profile="D"),
    ]
    found = time_out(own, until=at(900), births=[(at(500), stock)])

    assert under(found) == {"D": (20, 20), "N": (175, 175)}
    assert minutes(found.at_least) == 195


def test_of_several_parents_each_profile_takes_its_worst() -> None:
    """Rulings 23: worst parent per figure: one was longer out under N, the other under C, a third altogether."""
    lives = [{"N": 50, "C": 1}, {"N": 1, "C": 30}, {"N": 29, "C": 29}]
    parents = []
    for life_of in lives:
        turn = life_of["N"]
        own = [Stay(at(0), at(turn), "taken_out", True, profile="N")]
        own.append(Stay(at(turn), at(turn + life_of["C"]), "taken_out", True, profile="C"))
        parents.append((at(500), time_out(own, until=at(900))))
    found = time_out([Stay(at(500), at(900), "stored", True, profile="N")], until=at(900), births=parents)

    assert under(found) == {"C": (30, 30), "N": (50, 50)}
    assert minutes(found.at_least) == 58


# ----------------------------------------------------------------------------------------------------- properties
LAST = 300
LIVES = st.lists(
    st.tuples(st.integers(0, LAST), st.sampled_from(STATUSES)), min_size=1, max_size=8, unique_by=lambda c: c[0]
)
ACCESSION = st.integers(0, LAST)


@st.composite
def stays(draw: st.DrawFn, accessioned: st.SearchStrategy[int] = ACCESSION) -> list[Stay]:
    """A life of stays one behind the other, accessioned from some minute on."""
    accession = draw(accessioned)
    changes = dict(sorted(draw(LIVES)))
    changes.setdefault(accession, "unknown")
    told = life(*sorted(changes.items()), end=LAST + 50)
    return [Stay(s.start, s.end, s.status, s.start >= at(accession)) for s in told]


CHARGED = stays(st.just(0))
PROFILES = st.sampled_from([None, "C", "N"])


@st.composite
def kept(draw: st.DrawFn) -> list[Stay]:
    """The same, each stay under some profile."""
    return [replace(stay, profile=draw(PROFILES)) for stay in draw(stays())]


@given(kept(), st.integers(0, LAST))
def test_the_accounts_add_up_to_the_whole(own: list[Stay], until: int) -> None:
    """What all profiles are charged is all the time out, no instant of it twice: by ``portion``, one profile each."""
    found = time_out(own, until=at(until))

    assert sum((share.at_least for share in found.shares), timedelta()) == found.at_least
    assert sum((share.at_most for share in found.shares), timedelta()) == found.at_most
    for share in found.shares:
        same = [stay for stay in own if stay.profile == share.profile]
        assert share.at_least == second_opinion(same, OUT, until)
        assert share.at_most == second_opinion(same, OUT | NOT_PROVEN_IN, until)


@given(st.lists(kept(), min_size=1, max_size=3), kept(), st.integers(0, LAST))
def test_no_account_of_a_child_is_better_than_its_parents(
    parents: list[list[Stay]], own: list[Stay], born: int
) -> None:
    """Promise 5 for each profile by itself: what a parent was charged by the birth, a child is charged at least."""
    births: list[Birth] = [(at(born), time_out(parent, until=at(LAST))) for parent in parents]
    child = time_out(own, until=at(LAST), births=births)

    for parent in parents:
        for share in time_out(parent, until=at(born)).shares:
            mine = child.share(share.profile)
            assert (share.at_least, share.at_most) <= (mine.at_least, mine.at_most)
            assert share.longest_at_least <= mine.longest_at_least
            assert share.longest_at_most <= mine.longest_at_most


def second_opinion(found: Iterable[Stay], statuses: frozenset[str], until: int) -> timedelta:
    """The same union by ``portion``, in minutes."""
    total = portion.empty()
    for stay in found:
        if stay.accessioned and stay.status in statuses:
            total |= portion.closedopen(stay.start, stay.end)
    total &= portion.closedopen(at(-1), at(until))
    return sum((part.upper - part.lower for part in total if not part.empty), timedelta())


@given(stays(), st.integers(0, LAST))
def test_portion_gives_the_same_sums(own: list[Stay], until: int) -> None:
    """A general interval library computes the same two figures from the same stays."""
    found = time_out(own, until=at(until))

    assert found.at_least == second_opinion(own, OUT, until)
    assert found.at_most == second_opinion(own, OUT | NOT_PROVEN_IN, until)


@given(stays(), st.integers(0, LAST), st.integers(0, LAST))
def test_time_out_adds_up_and_never_shrinks(own: list[Stay], one: int, other: int) -> None:
    """Promise 5: what had been by a moment, and what came after it, are together what there is in the end."""
    sooner, later = sorted((one, other))
    whole, first = (time_out(own, until=at(until)) for until in (later, sooner))
    rest = [Stay(max(s.start, at(sooner)), s.end, s.status, s.accessioned) for s in own if s.end > at(sooner)]
    second = time_out(rest, until=at(later))

    assert whole.at_least == first.at_least + second.at_least
    assert whole.at_most == first.at_most + second.at_most
    assert all(a <= b for a, b in zip(figures(first), figures(whole), strict=True))
    assert whole.at_least <= whole.at_most


@given(st.lists(stays(), min_size=1, max_size=3), stays(), st.integers(0, LAST))
def test_a_child_is_never_better_than_its_parents_were(parents: list[list[Stay]], own: list[Stay], born: int) -> None:
    """Promise 5: inherited and never reset, in every figure, from every parent."""
    births: list[Birth] = [(at(born), time_out(parent, until=at(LAST))) for parent in parents]

    child = time_out(own, until=at(LAST), births=births)

    for parent in parents:
        by_birth = figures(time_out(parent, until=at(born)))
        assert all(a <= b for a, b in zip(by_birth, figures(child), strict=True))


@settings(max_examples=300)
@given(st.lists(CHARGED, min_size=2, max_size=4), stays(), st.integers(0, LAST), stays(), st.integers(0, LAST))
def test_what_is_left_out_is_never_the_worst(
    parents: list[list[Stay]], mixed: list[Stay], one: int, own: list[Stay], other: int
) -> None:
    """Two generations on, the figures are the maxima over every way back, each followed by itself.

    All parents are accessioned here: what one of them being so means for the mixture has an example of its own.
    """
    first, second = sorted((one, other))
    mixture = time_out(mixed, until=at(LAST), births=[(at(first), time_out(p, until=at(LAST))) for p in parents])
    found = time_out(own, until=at(LAST), births=[(at(second), mixture)])

    ways: list[TimeOut] = [
        time_out(own, until=at(LAST), births=[(at(second), time_out(mixed, until=at(LAST), births=[b]))])
        for b in [(at(first), time_out(p, until=at(LAST))) for p in parents]
    ]
    assert figures(found) == tuple(max(column) for column in zip(*map(figures, ways), strict=True))


@pytest.mark.parametrize("status", STATUSES)
def test_every_status_is_decided(status: str) -> None:
    """Each status that a span can have is in storage, out, not proven in, or at an end: none is forgotten."""
    found = time_out(life((0, status), end=60), until=at(60))

    expected = {"stored": (0, 0), "ended": (0, 0), "taken_out": (60, 60)}.get(status, (0, 60))
    assert figures(found)[:2] == expected


def test_nothing_told_is_no_time_out() -> None:
    """An item of which nothing is known has no stretches at all."""
    assert time_out([], until=START).courses == (Course(),)
