"""What a schema is, as plain lines, so that two can be compared however they were made.

Alembic's own comparison does not see CHECK constraints (on either database: tried), hence this one.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import sqlalchemy as sa

from shipsvc.store.engine import Database

# Every line says all there is to say about one column, constraint or index; the order of columns is left out, since a
# migration can add one only at the end.
_POSTGRESQL_LINES = """
SELECT format('%s: column %s %s%s%s', c.relname, a.attname, format_type(a.atttypid, a.atttypmod),
              CASE WHEN a.attnotnull THEN ' NOT NULL' ELSE '' END,
              ' DEFAULT ' || pg_get_expr(d.adbin, d.adrelid))
FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid
  LEFT JOIN pg_attrdef d ON (d.adrelid, d.adnum) = (c.oid, a.attnum)
WHERE c.relkind IN ('r', 'p') AND c.relnamespace = 'public'::regnamespace AND a.attnum > 0 AND NOT a.attisdropped
UNION ALL
SELECT format('%s: constraint %s %s', conrelid::regclass, conname, pg_get_constraintdef(oid))
FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND contype <> 'n'
UNION ALL
SELECT format('%s: index %s', tablename, indexdef) FROM pg_indexes WHERE schemaname = 'public'
"""


def schema_lines(database: Database) -> list[str]:
    """Tables, columns, constraints and indexes as sorted lines; Alembic's own table is left out."""
    lines = _sqlite_lines(database) if database.is_sqlite else _postgresql_lines(database)
    return sorted(line for line in lines if not line.startswith("alembic_version"))


def _postgresql_lines(database: Database) -> Iterator[str]:
    with database.engine.connect() as connection:
        yield from connection.exec_driver_sql(_POSTGRESQL_LINES.replace("%", "%%")).scalars()


def _sqlite_lines(database: Database) -> Iterator[str]:
    """What SQLite keeps is the text of each statement: a CREATE TABLE is taken apart at its outermost commas."""
    with closing(sqlite3.connect(str(database.engine.url.database))) as connection:
        kept = connection.execute("SELECT type, tbl_name, sql FROM sqlite_schema WHERE sql <> ''").fetchall()
    for sort, name, statement in kept:
        words = " ".join(statement.replace('"', "").split())
        if sort == "table":
            start, end = words.index("("), words.rindex(")")
            yield f"{name}: table {words[end + 1 :].strip()}"
            yield from (f"{name}: {part}" for part in _outermost(words[start + 1 : end]))
        elif sort == "index":
            yield f"{name}: {words}"


def _outermost(listed: str) -> Iterator[str]:
    """The parts between the commas that stand outside any bracket or quoted word."""
    part, depth, quoted = "", 0, False
    for character in listed:
        quoted ^= character == "'"
        depth += 0 if quoted else (character == "(") - (character == ")")
        if character == "," and depth == 0 and not quoted:
            yield part.strip()
            part = ""
        else:
            part += character
    yield part.strip()


def guards(database: Database) -> set[tuple[str, str]]:
    """The triggers there are, as (table, verb that they refuse)."""
    if database.is_sqlite:
        asked = "SELECT tbl_name, sql FROM sqlite_schema WHERE type = 'trigger'"
    else:
        # tgenabled is A where the trigger fires in every session, replicas included.
        asked = "SELECT tgrelid::regclass::text, pg_get_triggerdef(oid) FROM pg_trigger WHERE tgenabled = 'A'"
    with database.engine.connect() as connection:
        rows = connection.execute(sa.text(asked)).all()
    return {
        (name, verb) for name, sql in rows for verb in ("UPDATE", "DELETE", "TRUNCATE") if verb in sql.split(" ON ")[0]
    }
