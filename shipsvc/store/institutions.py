"""What facts need of institutions: the zone that a bare date is read in, and which of them only handle parcels."""

from collections.abc import Collection

import sqlalchemy as sa

from shipsvc.store.tables import Institution, table

INSTITUTION = table(Institution)
#: Kinds of institutions that carry or stop parcels and are not told what is in them (rulings 16).
HANDLERS = ("courier", "authority")


def zones(connection: sa.Connection, codes: Collection[str]) -> dict[str, str]:
    """The zone of each institution that is known, by code, in its newest version."""
    wanted = sa.select(INSTITUTION.c.code, INSTITUTION.c.zone).where(INSTITUTION.c.code.in_(codes))
    return {row.code: row.zone for row in connection.execute(wanted.order_by(INSTITUTION.c.version))}


def all_zones(connection: sa.Connection) -> dict[str, str]:
    """The zone of every institution, by code, in its newest version."""
    wanted = sa.select(INSTITUTION.c.code, INSTITUTION.c.zone).order_by(INSTITUTION.c.version)
    return {row.code: row.zone for row in connection.execute(wanted)}


def handlers(connection: sa.Connection, codes: Collection[str]) -> set[str]:
    """Those of the institutions that are couriers or authorities, by their newest version."""
    wanted = sa.select(INSTITUTION.c.code, INSTITUTION.c.kind).where(INSTITUTION.c.code.in_(codes))
    kinds = {row.code: row.kind for row in connection.execute(wanted.order_by(INSTITUTION.c.version))}
    return {code for code, kind in kinds.items() if kind in HANDLERS}
