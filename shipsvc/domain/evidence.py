"""What loggers and sensors together say of one sample: out for sure, perhaps, proven in, seen from outside only.

Of several sources of one quantity the nearest to the sample counts, as long as it is in the nest: an outer one never
fills its gaps (rulings 32). At one position all count, so the worse does. A closed sample takes temperature, light and
shock from its surroundings, but gas and water only from inside its innermost closed barrier (rulings 21). Out is what
any quantity says is out; proven in is where the profile's decisive quantity was read and nothing was out (rulings 22).
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from shipsvc.domain.times import Intervals, Pair

#: What a closed barrier keeps out.
KEPT_OUT = frozenset({"relative_humidity", "frost_point", "oxygen", "pressure"})
#: Out of storage and in nothing that could keep its surroundings.
OUT = frozenset({"taken_out"})
#: Out of storage as well, unless readings show otherwise.
NOT_PROVEN_IN = frozenset({"packed", "in_transit", "received", "unknown"})

NEVER = Intervals()


@dataclass(frozen=True, slots=True)
class Voice:
    """What one source says of one quantity while it is in one position around the sample.

    ``rank`` is how many containers are between it and the sample, a sensor of the place coming last; ``reaches`` is
    False for one outside a closed barrier that keeps its quantity out.
    """

    source: str
    quantity: str
    rank: int
    reaches: bool
    present: Intervals
    covered: Intervals = NEVER
    out: Intervals = NEVER
    perhaps: Intervals = NEVER


@dataclass(frozen=True, slots=True)
class Evidence:
    """What all sources together say.

    ``out``: beyond a limit for sure (M). ``perhaps``: beyond one by too few readings. ``covered``: the decisive
    quantity was read (K). ``watched``: a source of it was there to read it, so that a gap is a gap. ``indirect``: it
    was read within limits further out, where nearer nothing was.
    """

    out: Intervals = NEVER
    perhaps: Intervals = NEVER
    covered: Intervals = NEVER
    watched: Intervals = NEVER
    indirect: Intervals = NEVER

    def __or__(self, other: "Evidence") -> "Evidence":
        return Evidence(
            self.out | other.out,
            self.perhaps | other.perhaps,
            self.covered | other.covered,
            self.watched | other.watched,
            self.indirect | other.indirect,
        )


#: No source at all.
SILENCE = Evidence()


@dataclass(frozen=True, slots=True)
class Bar:
    """A window divided by what is known of it; no two overlap, together they are the window.

    ``by_record``: in a place that is controlled and has no sensor; nothing says otherwise.
    """

    proven_out: Intervals
    proven_in: Intervals
    by_record: Intervals
    indirect: Intervals
    unknown: Intervals


def weigh(voices: Iterable[Voice], decisive: str | None) -> Evidence:
    """What the voices say together, for a profile whose decisive quantity is this one (None: nothing can prove)."""
    found = SILENCE
    ordered = sorted(voices, key=lambda voice: voice.quantity)
    for quantity, of_it in groupby(ordered, key=lambda voice: voice.quantity):
        found |= _of_quantity(of_it, quantity == decisive)
    return found


def counting(voices: Iterable[Voice]) -> list[tuple[Voice, Intervals]]:
    """Each voice of one quantity, from the inside out, with the time during which it is the one that counts."""
    taken = NEVER
    found = []
    for _, same in groupby(sorted(voices, key=_distance), key=_distance):
        position = list(same)
        nearest = (union(voice.present for voice in position) - taken) if position[0].reaches else NEVER
        found += [(voice, nearest & voice.present) for voice in position]
        taken |= nearest
    return found


def _of_quantity(voices: Iterable[Voice], is_decisive: bool) -> Evidence:
    counted = counting(voices)
    out = union(voice.out & when for voice, when in counted)
    perhaps = union(voice.perhaps & when for voice, when in counted)
    if not is_decisive:
        return Evidence(out, perhaps)
    covered = union(voice.covered & when for voice, when in counted) - perhaps
    outer = union(voice.covered - voice.out - voice.perhaps - when for voice, when in counted)
    watched = union(when for _, when in counted)
    return Evidence(out, perhaps, covered, watched, outer - covered - out - perhaps)


def _distance(voice: Voice) -> tuple[bool, int]:
    return not voice.reaches, voice.rank


def union(sets: Iterable[Intervals]) -> Intervals:
    """What is in any of them."""
    return Intervals.from_pairs(pair for one in sets for pair in one)


def reaches(quantity: str, position: int, barrier: int | None) -> bool:
    """Whether what is read at a position (containers between it and the sample) reaches a sample whose innermost
    closed container is at ``barrier`` (None: none is closed). What is in a container is inside its barrier."""
    return quantity not in KEPT_OUT or barrier is None or position <= barrier


def charged(window: Pair, status: str, evidence: Evidence, *, controlled: bool) -> tuple[Intervals, Intervals]:
    """The time out of one stay, for sure and at most; ``status`` as in ``places.Whereabouts``.

    ``controlled``: by the record alone the place keeps the sample's profile. It decides only where no source of the
    decisive quantity was there: one with a gap leaves the gap unproven (rulings 22).
    """
    whole = Intervals.from_pairs([window])
    surely = whole if status in OUT else evidence.out & whole if _counts(status) else NEVER
    perhaps = surely | (evidence.perhaps & whole if _counts(status) else NEVER)
    return surely, perhaps | _unproven(whole, status, evidence, controlled=controlled)


def bar(window: Pair, status: str, evidence: Evidence, *, controlled: bool) -> Bar:
    """The same stay, divided by what is known of it."""
    whole = Intervals.from_pairs([window])
    surely, possible = charged(window, status, evidence, controlled=controlled)
    unproven = possible - surely
    rest = whole - possible
    indirect = evidence.indirect & unproven
    return Bar(surely, rest & evidence.covered, rest - evidence.covered, indirect, unproven - indirect)


def _counts(status: str) -> bool:
    return status != "ended"


def _unproven(whole: Intervals, status: str, evidence: Evidence, *, controlled: bool) -> Intervals:
    if status in NOT_PROVEN_IN:
        return whole - evidence.covered
    if status != "stored":
        return NEVER
    gaps = (evidence.watched - evidence.covered) & whole
    return gaps if controlled else gaps | (whole - evidence.watched)


@dataclass(frozen=True, slots=True)
class Segment:
    """A time during which a sample was in one nest: what it was in, from the inside out, and where its innermost
    closed container stands in that line (None: nothing is closed). The sample itself is the first of the line."""

    start: datetime
    end: datetime
    path: tuple[str, ...]
    barrier: int | None


@dataclass(frozen=True, slots=True)
class InNest:
    """Of one thing from ``start`` on and before ``end``: what it was in (None: nothing), and whether it was closed."""

    start: datetime
    end: datetime
    parent: str | None
    closed: bool


def segments(item: str, nests: Mapping[str, Sequence[InNest]], start: datetime, end: datetime) -> list[Segment]:
    """The nests that a thing was in, one behind the other, from what each container was in; neighbours that are alike
    are one. ``nests`` holds of each thing what it was in, in order of time. A circle ends the line."""
    found: list[Segment] = []
    for segment in _lines(item, nests, start, end, ()):
        last = found[-1] if found else None
        if last and last.end == segment.start and (last.path, last.barrier) == (segment.path, segment.barrier):
            found[-1] = Segment(last.start, segment.end, last.path, last.barrier)
        else:
            found.append(segment)
    return found


def _lines(
    item: str, nests: Mapping[str, Sequence[InNest]], start: datetime, end: datetime, inner: Collection[str]
) -> list[Segment]:
    if item in inner:
        return [Segment(start, end, (), None)]
    found = []
    for span in _over(nests.get(item, ()), start, end):
        outer = [Segment(span.start, span.end, (), None)]
        if span.parent is not None:
            outer = _lines(span.parent, nests, span.start, span.end, {*inner, item})
        for above in outer:
            beyond = None if above.barrier is None else above.barrier + 1
            found.append(Segment(above.start, above.end, (item, *above.path), 0 if span.closed else beyond))
    return found


def _over(spans: Sequence[InNest], start: datetime, end: datetime) -> list[InNest]:
    """The spans cut to a window; where none is told, it was in nothing and open."""
    found, reached = [], start
    for span in spans:
        begin, stop = max(span.start, start), min(span.end, end)
        if begin >= stop:
            continue
        if reached < begin:
            found.append(InNest(reached, begin, None, closed=False))
        found.append(InNest(begin, stop, span.parent, span.closed))
        reached = stop
    if reached < end:
        found.append(InNest(reached, end, None, closed=False))
    return found
