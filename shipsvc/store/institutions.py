"""What facts need of institutions: the zone that a bare date is read in."""

from collections.abc import Collection

import sqlalchemy as sa

from shipsvc.store.tables import Institution, table

INSTITUTION = table(Institution)


def zones(connection: sa.Connection, codes: Collection[str]) -> dict[str, str]:
    """The zone of each institution that is known, by code, in its newest version."""
    wanted = sa.select(INSTITUTION.c.code, INSTITUTION.c.zone).where(INSTITUTION.c.code.in_(codes))
    return {row.code: row.zone for row in connection.execute(wanted.order_by(INSTITUTION.c.version))}


def all_zones(connection: sa.Connection) -> dict[str, str]:
    """The zone of every institution, by code, in its newest version."""
    wanted = sa.select(INSTITUTION.c.code, INSTITUTION.c.zone).order_by(INSTITUTION.c.version)
    return {row.code: row.zone for row in connection.execute(wanted)}
