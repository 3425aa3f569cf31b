"""Stays of samples held against their profiles and against what was read around them: the evidence behind time out.

Past time is judged by the version of the profile that was in force then (design section 5). A storage place without a
sensor of the decisive quantity is controlled if it keeps the sample's own profile, or one declared as strict
(rulings 22); of a sample without a profile, or with one that nobody described, only the custody record speaks.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import sqlalchemy as sa

from shipsvc.app import surroundings
from shipsvc.app.surroundings import Surroundings
from shipsvc.domain import evidence, profiles
from shipsvc.domain.evidence import SILENCE, Bar, Evidence
from shipsvc.domain.places import Keeps, Kept
from shipsvc.domain.profiles import Profile, Profiles
from shipsvc.domain.times import Intervals, Pair
from shipsvc.store import profiles as kept
from shipsvc.store.documents import When
from shipsvc.store.engine import Row


@dataclass(frozen=True, slots=True)
class Judged:
    """A part of a stay during which one version of one profile was in force, here and at the place.

    ``code`` names the profile of the sample (None: it had none), ``profile`` is what was told of it (None: nothing);
    ``controlled``: by the record alone the place kept it.
    """

    start: datetime
    end: datetime
    status: str
    place: str | None
    accessioned: bool
    code: str | None
    profile: Profile | None
    controlled: bool
    evidence: Evidence = SILENCE

    @property
    def window(self) -> Pair:
        """From when to when."""
        return self.start, self.end

    @property
    def charged(self) -> tuple[Intervals, Intervals]:
        """When it was out for sure, and at most."""
        return evidence.charged(self.window, self.status, self.evidence, controlled=self.controlled)

    @property
    def bar(self) -> Bar:
        """The same time, divided by what is known of it."""
        return evidence.bar(self.window, self.status, self.evidence, controlled=self.controlled)


@dataclass(frozen=True, slots=True)
class Judging:
    """The judged stays of each sample, in order of time, and what they were judged by."""

    stays: Mapping[str, Sequence[Judged]]
    around: Surroundings
    described: Profiles
    keeps: Keeps


def judge(
    connection: sa.Connection, spans: Iterable[Row], when: When, *, quantities: Collection[str] | None = None
) -> Judging:
    """The spans of samples (item, from_at, to_at, status, place, profile, accessioned) up to ``when.as_of``, judged;
    ``quantities`` are those to look up beside what the profiles limit (None: no more, and only around samples that
    have a profile).

    A fixed number of SELECTs, however many samples; and one for each chunk of readings that has to be opened.
    """
    told = list(spans)
    places = {row["place"] for row in told if _stored_in(row)}
    keeps = _kept(connection, places, when)
    codes = {row["profile"] for row in told if row["profile"]} | {k.profile for said in keeps.values() for k in said}
    described = kept.described(connection, codes, When(when.as_of, when.known_on))
    limited = {limit.quantity for said in described.values() for v in said for limit in v.profile.limits}
    judged = {row["item"] for row in told if quantities is not None or described.get(row["profile"] or "")}
    around = surroundings.around(connection, judged, places, limited.union(quantities or ()), when)
    stays: dict[str, list[Judged]] = {}
    for row in told:
        for part in _parts(row, described, keeps, when.as_of):
            stays.setdefault(row["item"], []).append(_with_evidence(row["item"], part, around))
    return Judging(stays, around, described, keeps)


def against(connection: sa.Connection, spans: Iterable[Row], when: When, profile: Profile) -> dict[str, list[Judged]]:
    """The same stays held against one profile all life long, whatever was in force: each counts as out where readings
    say so, and at most also where nothing was read, in a store too."""
    told = [row for row in spans if row["status"] != "ended"]
    places = {row["place"] for row in told if _stored_in(row)}
    quantities = [limit.quantity for limit in profile.limits]
    around = surroundings.around(connection, {row["item"] for row in told}, places, quantities, when)
    stays: dict[str, list[Judged]] = {}
    for row in told:
        window, place = (row["from_at"], min(row["to_at"], when.as_of)), _stored_in(row)
        found = around.evidence(row["item"], window, place, profile)
        # In transit is what nothing but readings can prove to be in.
        part = Judged(*window, "in_transit", place, True, profile.code, profile, controlled=False, evidence=found)
        stays.setdefault(row["item"], []).append(part)
    return stays


def _kept(connection: sa.Connection, places: set[str], when: When) -> Keeps:
    if not places:
        return {}
    told = kept.kept(connection, places).items()
    return {place: [one for one in said if one.recorded_at <= when.known_on] for place, said in told}


def _stored_in(row: Row) -> str | None:
    return row["place"] if row["status"] == "stored" else None


def _with_evidence(item: str, part: Judged, around: Surroundings) -> Judged:
    if part.profile is None:
        return part
    found = around.evidence(item, part.window, part.place, part.profile)
    known = (part.status, part.place, part.accessioned, part.code, part.profile, part.controlled)
    return Judged(part.start, part.end, *known, found)


def _parts(row: Row, described: Profiles, keeps: Keeps, as_of: datetime) -> list[Judged]:
    """A span, cut where another version of the sample's profile or of the place comes into force."""
    start, end = row["from_at"], min(row["to_at"], as_of)
    place, code = _stored_in(row), row["profile"]
    said = keeps.get(place or "", ())
    versions = [*described.get(code or "", ()), *(v for one in said for v in described.get(one.profile, ()))]
    begins = [version.valid_from for version in versions] + [one.valid_from for one in said]
    edges = sorted({start, end, *(at for at in begins if start < at < end)})
    return [
        Judged(
            since,
            until,
            row["status"],
            place,
            row["accessioned"],
            code,
            profiles.in_force(described.get(code or "", ()), since),
            _controlled(code, place, said, described, since),
        )
        for since, until in pairwise(edges)
    ]


def _controlled(code: str | None, place: str | None, said: Sequence[Kept], described: Profiles, at: datetime) -> bool:
    """Whether the place kept the sample's profile, or one as strict."""
    if code is None or place is None or not described.get(code):
        return True
    keeps = next((one.profile for one in reversed(said) if one.valid_from <= at), None)
    held = profiles.in_force(described.get(keeps or "", ()), at)
    return keeps == code or (held is not None and code in held.as_strict_as)
