"""The report on the reserve of a collection: what is kept for later, how much of it must be, how much may therefore go.

What may be promised of one sample, and to whom the rest is promised, is ``app.reserve.headroom``.
"""

import sqlalchemy as sa

from shipsvc.app import mass_balance
from shipsvc.app import reserve as standing
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain.mass import Mass


def reserve(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    collection: str,
    take: Mass | None = None,
) -> list[Entry]:
    """One row: the accession after re-basis, the floor that is a share of it, what the samples of the reserve hold,
    what is promised of that, the headroom between, and whether ``take`` could go out of the reserve.

    For the owner's people and those who see all; NotFound for a collection that is not theirs.
    """
    mass_balance.own_collection(connection, actor, asked, collection)
    found = standing.at(connection, collection, asked)
    now = found.standing
    has_floor = now.floor_ppm is not None
    fields = {
        "collection": collection,
        "accession_mg": Mass(now.accession_ng).digits("mg"),
        "floor_ppm": now.floor_ppm,
        "floor_mg": Mass(now.floor_ng).digits("mg") if has_floor else None,
        "reserve_mg": Mass(now.reserve_ng).digits("mg"),
        "samples": sum(1 for ng in found.samples.values() if ng),
        "promised_mg": Mass(now.promised_ng).digits("mg"),
        "headroom_mg": Mass(now.headroom_ng).digits("mg") if has_floor else None,
        "take_mg": None if take is None else take.digits("mg"),
        "allowed": None if take is None or not has_floor else take.ng <= now.headroom_ng,
    }
    return [Entry((collection,), fields)][:limit] if after is None else []
