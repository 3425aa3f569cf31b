"""The uncertainty budget of one weighing, on request: where its u comes from, and what the air may add to that."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import items, posting
from shipsvc.app.access import Actor
from shipsvc.domain import air, errors, uncertainty
from shipsvc.domain.air import ROCK, Density
from shipsvc.domain.mass import Mass
from shipsvc.domain.rulebook import KnownBalance
from shipsvc.domain.uncertainty import Budget, Buoyancy, Component
from shipsvc.domain.weighing import TARE_VARIANCE, scatter, stated_u_ng
from shipsvc.store import ledger, mass
from shipsvc.store.engine import Row


@dataclass(frozen=True)
class Site:
    """An institution, its altitude in m, and the air in a room there; None where nobody gave the altitude."""

    institution: str
    altitude_m: int
    air: Density


@dataclass(frozen=True)
class WeighingBudget:
    """One weighing in ng with its budget, as every comparison uses it; the correction of the reading for buoyancy with
    a budget of its own, which is shown and never added (rulings 19); and by how much more the thing reads there than at
    its owner's. ``comparison`` is the row of what it was held against, if it was."""

    number: str
    event_id: str
    happened_at: datetime
    mass_ng: int
    balance: str
    budget: Budget
    there: Site | None
    correction_ng: float | None
    correction: Budget | None
    owners: Site | None
    shift_ng: float | None
    comparison: Row | None


def of_weighing(connection: sa.Connection, actor: Actor, typed: str, weighing: str) -> WeighingBudget:
    """The budget of a weighing of an item, as it stands, amended or not.

    Raises as ``items.find`` does; NotFound for a weighing that is not of this sample or not theirs to see; RuleForbids
    for a mass that was not weighed on a balance that is known.
    """
    found = items.find(connection, actor, typed)
    row, body = posting.weighing_of(connection, found.number, weighing)
    items.require_state(connection, actor, found, row["happened_at"])
    code = str(body.get("balance") or "")
    scale = mass.balance_row(connection, code, row["happened_at"])
    if scale is None or body.get("method") in ("estimated", "declared"):
        raise errors.RuleForbids(why="that mass was not weighed on a balance that is known, so it has no budget.")
    net_ng = Mass.parse(str(body["mass"])).ng
    known = mass.known(scale)
    there, owners = _site(connection, scale["institution"], body), _site(connection, found.row["owner"], {})
    buoyancy = Buoyancy(there.air, ROCK, there.institution, found.number) if there else None
    compared = ledger.comparison(connection, found.number, weighing)
    return WeighingBudget(
        number=found.number,
        event_id=weighing,
        happened_at=row["happened_at"],
        mass_ng=net_ng,
        balance=code,
        budget=_budget(known, scale, net_ng, body),
        there=there,
        correction_ng=air.corrected_ng(net_ng, there.air) - net_ng if there else None,
        correction=Budget(buoyancy.components(net_ng)) if buoyancy else None,
        owners=owners,
        shift_ng=air.shift_ng(net_ng, owners.air, there.air) if owners and there else None,
        comparison=compared,
    )


def _budget(known: KnownBalance, scale: Row, net_ng: int, body: Mapping[str, Any]) -> Budget:
    """As stated with the weighing, or by the balance as it was then; a tare that was looked up by itself."""
    of_tare = body.get(TARE_VARIANCE)
    tare_u_ng = None if of_tare is None else float(of_tare) ** 0.5
    said = stated_u_ng(body)
    if said is not None:
        parts = (Component("as stated", said[1]), *((Component("tare", tare_u_ng),) if tare_u_ng else ()))
        return Budget(parts)
    read, load_ng = scatter(body, known.balance), scale["calibration_load_ng"]
    return uncertainty.weighing(
        known.balance,
        net_ng,
        code=known.calibration.removeprefix("calibration of "),
        repeats=read.readings,
        scatter_ng=read.s_ng,
        error=abs(scale["error_of_indication_ng"] or 0) / load_ng if load_ng else 0.0,
        tare_u_ng=tare_u_ng,
    )


def _site(connection: sa.Connection, institution: str, body: Mapping[str, Any]) -> Site | None:
    """A place with its air: as it was read at the weighing, else that of a room at its altitude."""
    altitude_m, read = mass.altitude_m(connection, institution), body.get("air")
    if altitude_m is None:
        return None
    if not read:
        return Site(institution, altitude_m, air.assumed_air(altitude_m))
    figures = read["temperature_c"], 100.0 * read["pressure_hpa"], read["humidity_percent"] / 100
    return Site(institution, altitude_m, air.measured_air(*figures))
