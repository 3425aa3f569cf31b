"""Time out of controlled storage: at least and at most (design section 5, rulings 21 to 23).

*At least* is time out for sure: taken out of storage, in no packing, or beyond a limit by readings. *At most* adds what
nobody has proven to be in: packed, on the way, received, or at an unknown place, with no readings to cover it. Only
what falls after accession is charged; time before it stands apart. All of it is a union of intervals, so that nothing
told twice counts twice, and it never shrinks. Each stretch is charged to the storage profile that was in force then;
beside what each profile is charged stands the whole, by the clock on the wall (rulings 23).

A piece carries its parent's time from before its birth. Of several parents the worst counts, for each figure by
itself; so a ``TimeOut`` keeps a ``Course`` for each way back to an origin that could still be the worst in something.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
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
    sample needs where no source says otherwise. ``profile`` is what the time is charged to (None: to no profile).
    """

    start: datetime
    end: datetime
    status: str
    accessioned: bool
    evidence: Evidence = SILENCE
    controlled: bool = True
    profile: str | None = None

    def charged(self, until: datetime) -> tuple[Intervals, Intervals]:
        """When it was out, for sure and at most, up to ``until``."""
        window = (self.start, min(self.end, until))
        return evidence.charged(window, self.status, self.evidence, controlled=self.controlled)


@dataclass(frozen=True, slots=True)
class Charge:
    """When an item was out while it was to be kept under one profile: for sure, and at most."""

    at_least: Intervals = _NEVER
    at_most: Intervals = _NEVER

    def until(self, end: datetime) -> "Charge":
        """What of it had happened by ``end``."""
        return Charge(_until(self.at_least, end), _until(self.at_most, end))

    def __or__(self, other: "Charge") -> "Charge":
        return Charge(self.at_least | other.at_least, self.at_most | other.at_most)


_NOTHING = Charge()
#: What each profile is charged, by its code (None: no profile was in force), in the order of codes.
Charges = tuple[tuple[str | None, Charge], ...]


@dataclass(frozen=True, slots=True)
class Course:
    """One way back from an item to an origin: when it was out for sure, when perhaps, and when not yet accessioned;
    and the same for each profile by itself."""

    at_least: Intervals = _NEVER
    at_most: Intervals = _NEVER
    before_accession: Intervals = _NEVER
    charges: Charges = ()

    def until(self, end: datetime) -> "Course":
        """What of it had happened by ``end``."""
        charges = tuple((profile, charge.until(end)) for profile, charge in self.charges)
        before = _until(self.before_accession, end)
        return Course(_until(self.at_least, end), _until(self.at_most, end), before, charges)

    def followed_by(self, later: "Course") -> "Course":
        """This, and what came after it."""
        return Course(
            self.at_least | later.at_least,
            self.at_most | later.at_most,
            self.before_accession | later.before_accession,
            _summed([*self.charges, *later.charges]),
        )

    def charge(self, profile: str | None) -> Charge:
        """What one profile is charged."""
        return next((charge for code, charge in self.charges if code == profile), _NOTHING)


@dataclass(frozen=True, slots=True)
class Share:
    """What one profile is charged of the time out of an item, and the longest single stretch of it; the worst parent
    for each figure."""

    profile: str | None
    at_least: timedelta
    at_most: timedelta
    longest_at_least: timedelta
    longest_at_most: timedelta


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
    def shares(self) -> tuple[Share, ...]:
        """What each profile is charged that the item, or what it was made from, was ever to be kept under."""
        return tuple(self.share(profile) for profile in _profiles(self.courses))

    def share(self, profile: str | None) -> Share:
        """What one profile is charged."""
        charges = [course.charge(profile) for course in self.courses]
        return Share(
            profile,
            max(charge.at_least.total for charge in charges),
            max(charge.at_most.total for charge in charges),
            max(charge.at_least.longest for charge in charges),
            max(charge.at_most.longest for charge in charges),
        )

    def passed_at(self, profile: str | None, budget_s: int, *, single: bool) -> datetime | None:
        """When a profile's charge for sure went beyond a budget, in all or in a ``single`` stretch; None: never."""
        budget = timedelta(seconds=budget_s)
        found = (_passed_at(course.charge(profile).at_least, budget, single=single) for course in self.courses)
        return min((at for at in found if at is not None), default=None)

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
    charges = _summed((stay.profile, Charge(*stay.charged(until))) for stay in told if stay.accessioned)
    before = _union((stay for stay in told if not stay.accessioned and stay.status != "ended"), until)
    at_least = evidence.union(charge.at_least for _, charge in charges)
    return Course(at_least, evidence.union(charge.at_most for _, charge in charges), before, charges)


def _summed(charges: Iterable[tuple[str | None, Charge]]) -> Charges:
    """Each profile once, with all that it is charged."""
    found: dict[str | None, list[Charge]] = {}
    for profile, charge in charges:
        found.setdefault(profile, []).append(charge)
    return tuple((profile, _united(found[profile])) for profile in sorted(found, key=_code))


def _united(charges: Sequence[Charge]) -> Charge:
    at_least = evidence.union(charge.at_least for charge in charges)
    return Charge(at_least, evidence.union(charge.at_most for charge in charges))


def _code(profile: str | None) -> str:
    return profile or ""


def _profiles(courses: Iterable[Course]) -> list[str | None]:
    return sorted({profile for course in courses for profile, _ in course.charges}, key=_code)


def _union(stays: Iterable[Stay], until: datetime) -> Intervals:
    return Intervals.from_pairs((stay.start, min(stay.end, until)) for stay in stays)


def _until(intervals: Intervals, end: datetime) -> Intervals:
    return Intervals.from_pairs((start, min(stop, end)) for start, stop in intervals if start < end)


def _passed_at(intervals: Intervals, budget: timedelta, *, single: bool) -> datetime | None:
    left = budget
    for start, end in intervals:
        if end - start > left:
            return start + left
        left -= timedelta() if single else end - start
    return None


def _total(intervals: Intervals) -> timedelta:
    return intervals.total


def _that_could_be_worst(courses: Sequence[Course], births: Sequence[datetime]) -> tuple[Course, ...]:
    """The worst course by each figure, now or after the same was added to all: else mixtures of mixtures would grow.

    What is added can lengthen the stretch that reaches to a birth, so that one is a figure too.
    """
    kept: dict[Course, None] = {}
    for figure in _figures(courses):
        kept[max(courses, key=lambda course: figure(course).total)] = None
        kept[max(courses, key=lambda course: figure(course).longest)] = None
        for at in births:
            kept[max(courses, key=lambda course: _reaching(figure(course), at))] = None
    kept[max(courses, key=lambda course: course.before_accession.total)] = None
    return tuple(kept)


def _figures(courses: Sequence[Course]) -> Iterator[Callable[[Course], Intervals]]:
    """The whole, and what each profile is charged: for sure and at most."""
    yield from (_at_least, _at_most)
    profiles = _profiles(courses)
    for profile in profiles if len(profiles) > 1 else ():
        yield from (_charged_at_least(profile), _charged_at_most(profile))


def _charged_at_least(profile: str | None) -> Callable[[Course], Intervals]:
    return lambda course: course.charge(profile).at_least


def _charged_at_most(profile: str | None) -> Callable[[Course], Intervals]:
    return lambda course: course.charge(profile).at_most


def _at_least(course: Course) -> Intervals:
    return course.at_least


def _at_most(course: Course) -> Intervals:
    return course.at_most


def _reaching(intervals: Intervals, at: datetime) -> timedelta:
    """The length of the stretch that is going on at ``at``, or ends there."""
    return next((end - start for start, end in intervals if start <= at <= end), timedelta())
