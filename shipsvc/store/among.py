"""A column among any number of texts, given as one parameter.

An expanding IN is written out anew for each number of values, which takes longer than most of these statements run, and
which a database that keeps plans by their text would have to plan anew.
"""

import json
from collections.abc import Collection
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement


class _Texts(sa.types.TypeDecorator[Collection[str]]):
    """An array on PostgreSQL, a JSON array on SQLite."""

    impl = sa.Text
    cache_ok = True

    def load_dialect_impl(self, dialect: sa.Dialect) -> sa.types.TypeEngine[Any]:
        array = dialect.name == "postgresql"
        return dialect.type_descriptor(postgresql.ARRAY(sa.Text) if array else sa.Text())

    def process_bind_param(self, value: Collection[str] | None, dialect: sa.Dialect) -> Any:
        texts = list(value or ())
        return texts if dialect.name == "postgresql" else json.dumps(texts)


class _Among(FunctionElement[Any]):
    # Not Boolean: SQLAlchemy would write that as ``(...) = 1`` for SQLite, which then uses no index.
    type = sa.types.NullType()
    inherit_cache = True


def among(column: sa.ColumnElement[str], parameter: str = "some") -> sa.ColumnElement[Any]:
    """A clause: the column is one of the texts that the statement is given under the name of the parameter."""
    texts: sa.BindParameter[Any] = sa.bindparam(parameter, type_=_Texts())
    return _Among(column, texts)


@compiles(_Among, "postgresql")
def _any(element: _Among, compiler: SQLCompiler, **how: Any) -> str:
    column, texts = element.clauses
    return f"{compiler.process(column, **how)} = ANY ({compiler.process(texts, **how)})"


@compiles(_Among, "sqlite")
def _in_json(element: _Among, compiler: SQLCompiler, **how: Any) -> str:
    column, texts = element.clauses
    listed = f"json_each({compiler.process(texts, **how)})"
    return f"{compiler.process(column, **how)} IN (SELECT value FROM {listed})"  # noqa: S608 - SQLAlchemy wrote the parts
