"""Whether the service can work: its database answers and has the schema that this code knows."""

import sqlalchemy as sa

from shipsvc.domain import errors
from shipsvc.store import schema
from shipsvc.store.engine import Database


def require_ready(database: Database) -> str:
    """The revision of the schema, which is the newest this code knows; Away for any other, or for none.

    A database that does not answer raises what its driver raises.
    """
    with database.engine.connect() as connection:
        connection.execute(sa.select(1))
    found, needed = schema.current(database), schema.head()
    if found != needed:
        raise errors.Away(what=f"The database, whose schema is {found or 'empty'} and must be {needed},")
    return needed
