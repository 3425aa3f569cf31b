"""The effect preview: what saying yes to each pending request would leave of the reserve, and whom it competes with."""

from dataclasses import dataclass

import sqlalchemy as sa

from shipsvc.app import requests, reserve
from shipsvc.app.access import Actor
from shipsvc.app.mass_balance import own_collection
from shipsvc.app.report_pages import Asked
from shipsvc.app.requests import Request
from shipsvc.app.reserve import Reserve
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class Effect:
    """What saying yes to one pending request costs: what it takes in all, whether from the reserve (None: it names no
    sample), what the headroom is after that and all before it, and whom it competes with."""

    request: Request
    wanted_ng: int | None
    least_ng: int | None
    of_reserve: bool | None
    after_wanted_ng: int
    after_least_ng: int
    competing: list[str]


def effects(connection: sa.Connection, actor: Actor, asked: Asked, collection: str) -> tuple[Reserve, list[Effect]]:
    """How the reserve stands, and what each pending request would leave of the headroom, one after another in the order
    in which they were asked, each at what is wanted and at the least.

    For the owner's people and those who see all. A request that names a sample of the reserve counts as taken from it.
    """
    when = When(asked.as_of, asked.moment.known_on or FOREVER)
    own_collection(connection, actor, asked, collection)
    standing = reserve.at(connection, collection, asked)
    live = [r for s in ("in_review", "approved") for r in _every(connection, actor, when, collection, s)]
    pending = sorted((r for r in live if r.row["status"] == "in_review"), key=lambda r: (r.row["valid_from"], _id(r)))
    after = {"wanted": standing.standing.headroom_ng, "least": standing.standing.headroom_ng}
    found = []
    for request in pending:
        wanted, least = (_times(request, name) for name in ("wanted_ng", "least_ng"))
        of_reserve = any(sample in standing.samples for sample in request.samples) if request.samples else None
        if of_reserve:
            after = {"wanted": after["wanted"] - (wanted or 0), "least": after["least"] - (least or wanted or 0)}
        competing = [_id(other) for other in live if _id(other) != _id(request) and _compete(request, other)]
        found.append(Effect(request, wanted, least, of_reserve, after["wanted"], after["least"], competing))
    return standing, found


def _every(connection: sa.Connection, actor: Actor, when: When, collection: str, status: str) -> list[Request]:
    return requests.page(connection, actor, when, collection=collection, status=status, limit=100_000)


def _id(request: Request) -> str:
    return str(request.row["code"])


def _times(request: Request, name: str) -> int | None:
    each = request.row[name]
    return None if each is None else each * request.row["pieces"]


def _compete(one: Request, other: Request) -> bool:
    """They want, or are promised, the same sample."""
    theirs = {*other.samples, *(row["sample"] for row in other.promises if row["state"] == "promised")}
    return not theirs.isdisjoint(one.samples)
