"""Names that one writing transaction at a time may work under, where there is no row to lock yet."""

import sqlalchemy as sa


def hold(connection: sa.Connection, *names: str) -> None:
    """Wait until no other transaction works under any of the names, and hold them to the end of this one.

    Taken in sorted order, so that two transactions cannot wait for each other. On SQLite a writing transaction
    already holds the only write lock there is. Not FOR UPDATE: that needs the right to update, which logs refuse.
    """
    if connection.dialect.name == "sqlite":
        return
    for name in sorted(set(names)):
        # Two names with one hash only wait for each other without need.
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(sa.func.hashtextextended(name, 0))))
