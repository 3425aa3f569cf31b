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


def share(connection: sa.Connection, name: str) -> None:
    """Wait until nobody holds the name, and keep others from holding it to the end of this one; any number may share it
    at a time. On SQLite a writing transaction already holds the only write lock there is."""
    if connection.dialect.name != "sqlite":
        connection.execute(_SHARE, {"name": name})


_SHARE = sa.select(sa.func.pg_advisory_xact_lock_shared(sa.func.hashtextextended(sa.bindparam("name"), 0)))
