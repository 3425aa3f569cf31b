"""How Alembic reaches the database: over the connection that ``shipsvc.store.schema`` hands it, and no other way.

A migration is one idea, written by hand with plain SQLAlchemy types. It imports nothing of the application, which
will have moved on when somebody brings an old database up to date. On both databases it happens whole or not at all.
"""

from alembic import context

connection = context.config.attributes["connection"]
if connection.dialect.name == "postgresql":
    # A change of the schema that waits for a lock makes everybody wait who comes after it: better to give up.
    connection.exec_driver_sql("SET lock_timeout = '4s'")
    connection.commit()
# SQLite can roll a change of the schema back like any other; Alembic supposes that Python's driver is in the way.
context.configure(connection=connection, transactional_ddl=True, transaction_per_migration=True)
with context.begin_transaction():
    context.run_migrations()
