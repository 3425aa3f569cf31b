"""Random stories about a handful of things: what happened to them, in words that the record cannot foresee."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from shipsvc.domain.acts import ItemInfo
from shipsvc.domain.facts import Named

SAMPLES = ("BRM0001", "BRM0002", "BRM0003")
VIALS = ("VA1", "VA2")
BOXES = ("JA1", "PA1")
#: Things that nobody registered beforehand: one of a collection, one of a series that we do not know.
UNKNOWN = ("BRM0004", "QA1")
THINGS = (*SAMPLES, *VIALS, *BOXES, *UNKNOWN)
PARTIES = ("TRP", "TSI", "CRK", "BIA")
#: Who tells: mostly the owner, whose word counts at once; a stranger's word moves little.
TELLERS = ("TRP", "TRP", "TRP", "TSI", "CRK", "BIA")
PLACES = ("TRP-N1", "TSI-N1")
INFOS: Mapping[str, ItemInfo] = {
    **{n: ItemInfo("sample", "material", "TRP") for n in SAMPLES},
    **{n: ItemInfo("container", "vial", "TRP") for n in VIALS},
    **{n: ItemInfo("container", "jar", "TRP") for n in BOXES},
    **{n: ItemInfo("sample", "material", "TRP") for n in UNKNOWN},
}
START = datetime(2025, 3, 10, tzinfo=UTC)
#: Minutes within one story: few, so that many things happen at one instant.
MINUTES = 9


@dataclass(frozen=True)
class Said:
    """One fact of a story: what, of which things, in which minute, by whom. ``instead`` are its amendments in order;
    None withdraws it."""

    kind: str
    subjects: tuple[Named, ...]
    minute: int
    party: str
    body: Mapping[str, Any] = field(default_factory=dict)
    instead: tuple["Said | None", ...] = ()

    @property
    def at(self) -> datetime:
        """When it happened."""
        return START + timedelta(hours=30 * self.minute)

    @property
    def in_force(self) -> "Said | None":
        """What holds after all amendments."""
        return self.instead[-1] if self.instead else self


def named(*numbers: str) -> st.SearchStrategy[tuple[Named, ...]]:
    """One or two of the things, mostly as typed, now and then by a print."""
    one = st.builds(Named, st.sampled_from(numbers), st.sampled_from([None, None, 1]))
    return st.lists(one, min_size=1, max_size=2, unique_by=lambda n: n.number).map(tuple)


def _packed() -> st.SearchStrategy[dict[str, Any]]:
    into = st.sampled_from([*VIALS, *BOXES])
    return st.fixed_dictionaries({"into": into}, optional={"material": st.just(True)})


_party = st.sampled_from(PARTIES)
_mass = st.sampled_from(["10 mg", "10.2 mg", "250 mg", "2500 mg"])
_weighing = st.fixed_dictionaries({"mass": _mass, "balance": st.sampled_from(["B2", "B6"])})
_shipment = st.sampled_from([{}, {}, {"shipment": "T-01"}])
_both = st.builds(lambda words, trip: {**words, **trip}, st.fixed_dictionaries({"to": _party}), _shipment)
_from = st.builds(
    lambda words, trip: {**words, **trip}, st.fixed_dictionaries({}, optional={"from": _party}), _shipment
)
#: Words of a handover may be typed by the other side.
_declared = st.sampled_from([{}, {}, {}, {"party": "CRK"}, {"party": "TRP/mail-room"}])


def _with(body: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
    return st.builds(lambda words, party: {**words, **party}, body, _declared)


_loan = st.fixed_dictionaries(
    {"loan": st.sampled_from(["L-01", "L-02"]), "lender": st.just("TRP"), "borrower": st.sampled_from(["TSI", "SMP"])},
    optional={"due_on": st.just("2025-09-01"), "term_months": st.just(6), "zone": st.just("Asia/Tokyo")},
)
_due = st.fixed_dictionaries({"loan": st.sampled_from(["L-01", "L-02"]), "due_on": st.just("2025-12-01")})
_nothing: st.SearchStrategy[dict[str, Any]] = st.just({})
_place = st.fixed_dictionaries({"place": st.sampled_from(PLACES)})
_registration: st.SearchStrategy[dict[str, Any]] = st.sampled_from(
    [
        {"item": "container", "form": "vial", "owner": "TRP"},
        {"item": "container", "form": "bag"},
        {"item": "sample", "mass": "100 mg", "material": "powder", "reserve": True},
    ]
)
_piece = st.sampled_from(
    [
        {"number": "BRM0003", "mass": "5 mg", "balance": "B2"},
        {"number": "BRM0003", "mass": "249 mg", "balance": "B2"},
        {"number": "BRM0003"},
        {"number": "BRM0004", "mass": "300 mg", "method": "estimated"},
    ]
)
_division = st.fixed_dictionaries(
    {"children": st.lists(_piece, min_size=1, max_size=2)},
    optional={"ends": st.just(True), "loss": st.just({"mass": "1 mg"})},
)
_mixture = st.fixed_dictionaries(
    {"parents": st.just([{"number": "BRM0003", "mass": "4 mg"}, {"number": "BRM0002"}])},
    optional={"mass": st.sampled_from(["3.98 mg", "20 mg"]), "balance": st.just("B2")},
)

#: The body of each kind, and what it may be said of.
KINDS: Mapping[str, tuple[st.SearchStrategy[dict[str, Any]], tuple[str, ...]]] = {
    "packed": (_packed(), THINGS),
    "unpacked": (st.fixed_dictionaries({}, optional={"material": st.just(True)}), THINGS),
    "released": (_with(_both), THINGS),
    "accepted": (_with(_from), THINGS),
    "rejected": (_from, THINGS),
    "held": (st.fixed_dictionaries({}, optional={"authority": st.just("BIA")}), THINGS),
    "freed": (st.fixed_dictionaries({}, optional={"authority": st.just("BIA"), "to": _party}), THINGS),
    "seen": (_nothing, THINGS),
    "stored": (_place, THINGS),
    "taken_out": (_nothing, THINGS),
    "sealed": (_nothing, THINGS),
    "opened": (_nothing, THINGS),
    "profile_set": (st.fixed_dictionaries({"profile": st.sampled_from(["C", "S"])}), (*SAMPLES, *VIALS)),
    "weighed": (_weighing, (*SAMPLES, *VIALS, *UNKNOWN)),
    "used": (_weighing.flatmap(lambda b: st.sampled_from([b, {**b, "all": True}])), (*SAMPLES, *VIALS)),
    "loss_noted": (_weighing, SAMPLES),
    "posted": (_weighing, SAMPLES),
    "rebased": (_weighing, SAMPLES),
    "divided": (_division, SAMPLES[:2] + VIALS),
    "embedded": (_division, SAMPLES[:2]),
    "registered": (_registration, (*UNKNOWN, "VA2", "BRM0002")),
    "combined": (_mixture, SAMPLES[:2] + VIALS),
    "loan_signed": (_loan, SAMPLES),
    "due_set": (_due, SAMPLES),
}
_attached = st.builds(
    lambda number, to, minute: Said("label_attached", (Named(number, 1),), minute, "TRP", {"to": to}),
    st.sampled_from([*SAMPLES[:2], *VIALS]),
    st.sampled_from(VIALS),
    st.integers(0, MINUTES),
)
#: Kinds that make nests come up more often: most of what can go wrong is in them.
_often = st.sampled_from([*KINDS, "packed", "packed", "packed", "unpacked", "released", "accepted"])


@st.composite
def said(draw: st.DrawFn) -> Said:
    """One fact of any kind, not amended."""
    if draw(st.integers(0, 11)) == 0:
        return draw(_attached)
    kind = draw(_often)
    body, things = KINDS[kind]
    said_body = draw(body)
    subjects = draw(named(*(t for t in things if t != said_body.get("into"))))
    return Said(kind, subjects, draw(st.integers(0, MINUTES)), draw(st.sampled_from(TELLERS)), said_body)


@st.composite
def amended(draw: st.DrawFn) -> Said:
    """One fact, now and then amended or withdrawn."""
    first = draw(said())
    if draw(st.integers(0, 4)):
        return first
    later = draw(st.lists(st.none() | said(), min_size=1, max_size=2))
    return Said(first.kind, first.subjects, first.minute, first.party, first.body, tuple(later))


stories = st.lists(said(), max_size=14)
amended_stories = st.lists(amended(), min_size=1, max_size=9)
