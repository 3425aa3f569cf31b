"""Time out of controlled storage: at least and at most (design section 5, rulings 21 to 23).

*At least* is time out for sure: taken out of storage, in no packing, or beyond a limit by readings. *At most* adds what
nobody has proven to be in: packed, on the way, received, or at an unknown place, with no readings to cover it. Only
what falls after accession is charged; time before it stands apart. All of it is a union of intervals, so that nothing
told twice counts twice, and it never shrinks.

A piece carries its parent's time from before its birth. Of several parents the worst counts, for each figure by
itself; so a ``TimeOut`` keeps a ``Course`` for each way back to an origin that could still be the worst in something.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from shipsvc.domain import evidence
from shipsvc.domain.evidence import SILENCE, Evidence
from shipsvc.domain.times import Intervals

_NEVER = Intervals()


@dataclass(frozen=True, slots=True)
class Stay:
    """The whereabouts of an item from ``start`` on and before ``end``; ``status`` as in ``places.Whereabouts``.

    ``evidence`` is what was read around it then; ``controlled``: the place, if it is in one, is held to keep what the
    sample needs where no source says otherwise.
    """

    start: datetime
    end: datetime
    status: str
    accessioned: bool
    evidence: Evidence = SILENCE
    controlled: bool = True

    def charged(self, until: datetime) -> tuple[Intervals, Intervals]:
        """When it was out, for sure and at most, up to ``until``."""
        window = (self.start, min(self.end, until))
        return evidence.charged(window, self.status, self.evidence, controlled=self.controlled)


@dataclass(frozen=True, slots=True)
class Course:
    """One way back from an item to an origin: when it was out for sure, when perhaps, and when not yet accessioned."""

    at_least: Intervals = _NEVER
    at_most: Intervals = _NEVER
    before_accession: Intervals = _NEVER

    def until(self, end: datetime) -> "Course":
        """What of it had happened by ``end``."""
        return Course(_until(self.at_least, end), _until(self.at_most, end), _until(self.before_accession, end))

    def followed_by(self, later: "Course") -> "Course":
        """This, and what came after it."""
        return Course(
            self.at_least | later.at_least,
            self.at_most | later.at_most,
            self.before_accession | later.before_accession,
        )


@dataclass(frozen=True, slots=True)
class TimeOut:
    """Time out of one item over its whole life, its parents' share before its birth included.

    ``accessioned_at`` is since when it, or anything it was made from, is charged (None: not yet).
    """

    courses: tuple[Course, ...] = (Course(),)
    accessioned_at: datetime | None = None

    def is_charged(self, at: datetime) -> bool:
        """Whether legal charge had been taken by then."""
        return self.accessioned_at is not None and self.accessioned_at <= at

    @property
    def at_least(self) -> timedelta:
        """Time out for sure."""
        return self.proven.total

    @property
    def at_most(self) -> timedelta:
        """Time that nobody has proven to be in."""
        return self.possible.total

    @property
    def longest_at_least(self) -> timedelta:
        """The longest single stretch out for sure."""
        return max(course.at_least.longest for course in self.courses)

    @property
    def longest_at_most(self) -> timedelta:
        """The longest single stretch that nobody has proven to be in."""
        return max(course.at_most.longest for course in self.courses)

    @property
    def before_accession(self) -> timedelta:
        """Time before legal charge was taken: shown, not charged."""
        return max(course.before_accession.total for course in self.courses)

    @property
    def proven(self) -> Intervals:
        """The stretches behind ``at_least``: those of the worst parent."""
        return max((course.at_least for course in self.courses), key=_total)

    @property
    def possible(self) -> Intervals:
        """The stretches behind ``at_most``: those of the worst parent."""
        return max((course.at_most for course in self.courses), key=_total)


#: When something was made from a parent, and the parent's own time out.
Birth = tuple[datetime, TimeOut]


def time_out(stays: Iterable[Stay], *, until: datetime, births: Iterable[Birth] = ()) -> TimeOut:
    """The time out, up to ``until``, of an item that was in ``stays`` and, where made from others, had ``births``.

    What is recorded of a number before its material was there (issued ahead of a split) counts for nothing.
    """
    born = [(at, parent) for at, parent in births if at <= until]
    # A piece of what was accessioned needs no accession of its own.
    charged_from = min((at for at, parent in born if parent.is_charged(at)), default=None)
    own = _charged(sorted(stays, key=lambda stay: stay.start), charged_from)
    courses = [_course(own, until)] if _had_a_life(own, born) else []
    for at, parent in born:
        later = _course(_since(own, at), until)
        courses += [course.until(at).followed_by(later) for course in parent.courses]
    accessions = [stay.start for stay in own if stay.accessioned]
    accessions += [parent.accessioned_at for at, parent in born if parent.accessioned_at and parent.is_charged(at)]
    return TimeOut(_that_could_be_worst(courses, [at for at, _ in born]), min(accessions, default=None))


def _had_a_life(own: Sequence[Stay], born: Sequence[Birth]) -> bool:
    """Whether it was something before anything was made into it."""
    first = min((at for at, _ in born), default=None)
    return first is None or any(stay.accessioned and stay.start < first for stay in own)


def _charged(own: Sequence[Stay], since: datetime | None) -> list[Stay]:
    """The stays, all of them accessioned from ``since`` on."""
    if since is None:
        return list(own)
    before = [replace(s, end=min(s.end, since)) for s in own if s.start < since]
    return before + [replace(s, accessioned=True) for s in _since(own, since)]


def _since(own: Iterable[Stay], at: datetime) -> list[Stay]:
    return [replace(s, start=max(s.start, at)) for s in own if s.end > at]


def _course(stays: Iterable[Stay], until: datetime) -> Course:
    told = [stay for stay in stays if stay.start < until]
    charged = [stay.charged(until) for stay in told if stay.accessioned]
    before = _union((stay for stay in told if not stay.accessioned and stay.status != "ended"), until)
    return Course(evidence.union(c[0] for c in charged), evidence.union(c[1] for c in charged), before)


def _union(stays: Iterable[Stay], until: datetime) -> Intervals:
    return Intervals.from_pairs((stay.start, min(stay.end, until)) for stay in stays)


def _until(intervals: Intervals, end: datetime) -> Intervals:
    return Intervals.from_pairs((start, min(stop, end)) for start, stop in intervals if start < end)


def _total(intervals: Intervals) -> timedelta:
    return intervals.total


def _that_could_be_worst(courses: Sequence[Course], births: Sequence[datetime]) -> tuple[Course, ...]:
    """The worst course by each figure, now or after the same was added to all: else mixtures of mixtures would grow.

    What is added can lengthen the stretch that reaches to a birth, so that one is a figure too.
    """
    kept: dict[Course, None] = {}
    for figure in (_at_least, _at_most):
        kept[max(courses, key=lambda course: figure(course).total)] = None
        kept[max(courses, key=lambda course: figure(course).longest)] = None
        for at in births:
            kept[max(courses, key=lambda course: _reaching(figure(course), at))] = None
    kept[max(courses, key=lambda course: course.before_accession.total)] = None
    return tuple(kept)


def _at_least(course: Course) -> Intervals:
    return course.at_least


def _at_most(course: Course) -> Intervals:
    return course.at_most


def _reaching(intervals: Intervals, at: datetime) -> timedelta:
    """The length of the stretch that is going on at ``at``, or ends there."""
    return next((end - start for start, end in intervals if start <= at <= end), timedelta())
