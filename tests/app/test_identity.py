"""Roles, accounts and the first administrator, without HTTP."""

from datetime import UTC, datetime, timedelta

import pytest
import sqlalchemy as sa

from shipsvc.app import access, documents, identity
from shipsvc.domain import errors
from shipsvc.store import people
from shipsvc.store.engine import Database
from tests.databases import opened

NOW = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
PASSWORD = "a phrase nobody guesses"
CONTENT = {"name": "Tarnhythe Repository", "kind": "lender", "zone": "Europe/London", "altitude_m": 40}
LATER = NOW + timedelta(days=1)


def first(connection: sa.Connection) -> str:
    """The first administrator."""
    return identity.bootstrap(
        connection,
        NOW,
        login="First",
        password=PASSWORD,
        name="F. Example",
        institution="TRP",
        institution_content=CONTENT,
    )


def test_the_first_administrator_is_the_only_one_made_so(database: Database) -> None:
    """Person, account, role and institution are there; a second call is refused, whatever its login."""
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        person = first(connection)
        actor = access.actor(connection, person, NOW)

        assert actor.roles == {("TRP", "administrator")}
        assert [row["name"] for row in documents.names(connection, actor.institutions, NOW)] == [CONTENT["name"]]
        with pytest.raises(errors.RuleForbids):
            first(connection)


def test_a_password_opens_an_account_until_it_is_closed(database: Database) -> None:
    """Right and wrong passwords, no account, and an account closed from an instant on (that instant included)."""
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        person = first(connection)
        found = identity.account(connection, " FIRST ")
        assert identity.signed_in(found, PASSWORD, NOW) == person
        for account, password in ((found, "wrong phrase"), (None, PASSWORD)):
            with pytest.raises(errors.WrongPassword):
                identity.signed_in(account, password, NOW)
        people.close_account(connection, person, LATER)
        closing = identity.account(connection, "first")
        assert identity.signed_in(closing, PASSWORD, LATER - timedelta(seconds=1)) == person
        with pytest.raises(errors.WrongPassword):
            identity.signed_in(closing, PASSWORD, LATER)
        assert people.roles_now(connection, person, LATER - timedelta(seconds=1))
        assert people.roles_now(connection, person, LATER) is None


def test_roles_are_found_in_one_query(sqlite_database_url: str) -> None:
    """It is asked at every request: one statement, and only searches by key (EXPLAIN QUERY PLAN of SQLite)."""
    with opened(sqlite_database_url) as database:
        statements: list[str] = []
        with database.engine.connect() as connection:
            sa.event.listen(connection, "before_cursor_execute", lambda *a: statements.append(a[2]))
            assert people.roles_in_session(connection, "nobody", "none", NOW) is None
            (statement,) = [one for one in statements if not one.startswith("BEGIN")]
            plan = connection.exec_driver_sql(
                f"EXPLAIN QUERY PLAN {statement}", (NOW, "nobody", NOW, "none", NOW)
            ).all()
    steps = [row[3] for row in plan]
    assert [step for step in steps if step.startswith("SCAN")] == []
    assert sum(step.startswith("SEARCH") for step in steps) == 3


def test_an_account_without_roles_is_somebody(database: Database) -> None:
    """No role is not the same as no account: such a person may sign in and see nothing."""
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        admin = access.actor(connection, first(connection), NOW)
        person = identity.add_person(
            connection, admin, NOW, name="N", email="", login="n", password_hash="$argon2id$", roles=[]
        )
        assert access.actor(connection, person, NOW).roles == frozenset()


def test_the_newest_version_told_holds_from_its_moment_on(database: Database) -> None:
    """House rule (no source): a mend of the past told later also holds now, until what holds now is told again."""
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        actor = access.actor(connection, first(connection), NOW)
        day = [NOW + timedelta(days=n) for n in range(6)]

        def tell(name: str, version: int, from_day: int, on_day: int) -> None:
            told = documents.Told(valid_from=day[from_day], because="Told")
            content = {**CONTENT, "name": name}
            documents.change(connection, actor, day[on_day], documents.INSTITUTION, "TRP", {version}, content, told)

        def name(as_of: int, known_on: int) -> str:
            when = documents.When(day[as_of], day[known_on])
            return str(documents.read(connection, actor, documents.INSTITUTION, "TRP", when)["name"])

        tell("renamed", 1, from_day=2, on_day=3)
        tell("first name mended", 2, from_day=0, on_day=4)
        tell("renamed", 3, from_day=2, on_day=5)

        assert [name(as_of, known_on=5) for as_of in (0, 1, 2, 3)] == ["first name mended"] * 2 + ["renamed"] * 2
        assert [name(as_of, known_on=3) for as_of in (0, 2)] == [CONTENT["name"], "renamed"]
        assert name(3, known_on=4) == "first name mended"
