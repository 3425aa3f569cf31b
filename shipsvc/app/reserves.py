"""The reserve of a collection: what is kept for later, how much of it must be, and how much may therefore go."""

import sqlalchemy as sa

from shipsvc.app import mass_balance
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain.mass import Mass
from shipsvc.store import ledger


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
    """One row: the accession after re-basis, the floor that is a share of it, what the samples marked as reserve hold,
    the headroom between, and whether ``take`` could go out of the reserve.

    For the owner's people and those who see all; NotFound for a collection that is not theirs.
    """
    row = mass_balance.own_collection(connection, actor, asked, collection)
    scope = ledger.of_collection(collection)
    accession_ng = mass_balance.accession_ng(connection, asked, scope)
    samples, reserve_ng = ledger.reserve(connection, asked.moment, scope)
    percent = row["reserve_floor_percent"]
    # Rounded up: a nanogram below the floor is below it.
    floor_ng = None if percent is None else -(-accession_ng * percent // 100)
    headroom_ng = None if floor_ng is None else reserve_ng - floor_ng
    fields = {
        "collection": collection,
        "accession_mg": Mass(accession_ng).digits("mg"),
        "floor_percent": percent,
        "floor_mg": _mg(floor_ng),
        "reserve_mg": Mass(reserve_ng).digits("mg"),
        "samples": samples,
        "headroom_mg": _mg(headroom_ng),
        "take_mg": None if take is None else take.digits("mg"),
        "allowed": None if take is None or headroom_ng is None else take.ng <= headroom_ng,
    }
    return [Entry((collection,), fields)][:limit] if after is None else []


def _mg(ng: int | None) -> str | None:
    return None if ng is None else Mass(ng).digits("mg")
