"""Storage profiles as rows, and what the fold needs to know of places: which profile each was said to keep."""

import json
from collections.abc import Collection, Mapping
from datetime import date
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.places import Keeps, Kept
from shipsvc.domain.profiles import Contact, Limit, Profile, Profiles, Version
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import Place, ProfileVersion, table

PROFILE = table(ProfileVersion)
PLACE = table(Place)


def profile_of(row: Mapping[str, Any]) -> Profile:
    """The profile that a version row holds; Malformed where the row contradicts itself."""
    return Profile(
        code=row["code"],
        limits=tuple(Limit(**limit) for limit in json.loads(row["limits"])),
        decisive=row["decisive"],
        lifetime_budget_s=row["lifetime_budget_s"],
        single_budget_s=row["single_budget_s"],
        least_readings=row["least_readings"],
        max_gap_s=row["max_gap_s"],
        spike_allowance_s=row["spike_allowance_s"],
        as_strict_as=frozenset(json.loads(row["as_strict_as"])),
        contacts=tuple(_contact(**one) for one in json.loads(row["contact_materials"])),
    )


def _contact(material: str, since: str) -> Contact:
    return Contact(material, date.fromisoformat(since))


def described(connection: sa.Connection, codes: Collection[str], when: When) -> Profiles:
    """The versions of those profiles that had been recorded by ``when.known_on``; one SELECT."""
    if not codes:
        return {}
    wanted = sa.select(PROFILE).where(PROFILE.c.code.in_(codes), PROFILE.c.recorded_at <= when.known_on)
    found: dict[str, list[Version]] = {}
    for row in rows(connection, wanted.order_by(PROFILE.c.code, PROFILE.c.version)):
        found.setdefault(row["code"], []).append(Version(row["valid_from"], profile_of(row)))
    return found


def known(connection: sa.Connection, codes: Collection[str], when: When) -> set[str]:
    """Those of the codes that somebody had described a profile of."""
    told = (PROFILE.c.valid_from <= when.as_of, PROFILE.c.recorded_at <= when.known_on)
    wanted = sa.select(PROFILE.c.code).where(PROFILE.c.code.in_(codes), *told).distinct()
    return set(connection.execute(wanted).scalars())


def kept(connection: sa.Connection, places: Collection[str]) -> Keeps:
    """What each of the places was said to keep, in the order in which it was told."""
    wanted = sa.select(PLACE.c.code, PLACE.c.valid_from, PLACE.c.recorded_at, PLACE.c.profile)
    found: dict[str, list[Kept]] = {}
    for row in rows(connection, wanted.where(PLACE.c.code.in_(places)).order_by(PLACE.c.code, PLACE.c.version)):
        found.setdefault(row["code"], []).append(_kept(row))
    return found


def _kept(row: Row) -> Kept:
    return Kept(row["valid_from"], row["recorded_at"], row["profile"])
