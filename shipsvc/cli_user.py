"""``shipsvc user``: add people, invite them, and let them choose a new password. Registered by ``shipsvc.cli``."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import sqlalchemy as sa

    from shipsvc.app.access import Actor
    from shipsvc.app.invitations import Invited
    from shipsvc.config import Settings

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="People who sign in.")
By = Annotated[str, typer.Option("--by", help="Login name of the administrator who does this.")]
Login = Annotated[str, typer.Argument(help="Name to sign in with, in small letters.")]
Name = Annotated[str, typer.Option(help="As others are to read it.")]
Email = Annotated[str, typer.Option(help="Where mail for them goes.")]
Roles = Annotated[list[str] | None, typer.Option("--role", help="Such as TRP:curator; once for each.")]


@dataclass(frozen=True)
class Deed:
    """What a command works with: one transaction, on behalf of one administrator."""

    connection: "sa.Connection"
    actor: "Actor"
    now: datetime
    settings: "Settings"


@contextmanager
def _deed(by: str) -> Iterator[Deed]:
    from shipsvc.app import access, identity
    from shipsvc.cli import settings
    from shipsvc.domain import errors
    from shipsvc.store.engine import open_database

    chosen, now = settings(), datetime.now(UTC)
    database = open_database(chosen.database_url)
    try:
        with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
            account = identity.account(connection, by)
            if account is None:
                raise errors.NotFound(what="account", name=by)
            yield Deed(connection, access.actor(connection, account["person"], now), now, chosen)
    finally:
        database.engine.dispose()


def _pairs(roles: list[str] | None) -> list[tuple[str, str]]:
    from shipsvc.app.identity import ROLES

    found = [(institution, role) for institution, _, role in (text.partition(":") for text in roles or [])]
    for institution, role in found:
        if not institution or role not in ROLES:
            raise typer.BadParameter(f"A role is an institution and one of {', '.join(ROLES)}, such as TRP:curator.")
    return found


def _login(login: str) -> str:
    import re

    from shipsvc.web.identity_schemas import LOGIN

    if not re.fullmatch(LOGIN, login):
        raise typer.BadParameter("A login name is small letters, digits and . _ @ + -, 64 at most.")
    return login


@app.command()
def add(
    login: Login,
    by: By,
    name: Name,
    password: Annotated[
        str,
        typer.Option(prompt=True, hide_input=True, confirmation_prompt=True, help="8 characters at least; asked for."),
    ],
    email: Email = "",
    role: Roles = None,
) -> None:
    """Add a person with a password."""
    from shipsvc.app import identity, passwords
    from shipsvc.cli import plainly

    about = {"login": _login(login), "name": name, "email": email}
    pairs = _pairs(role)
    with plainly():
        password_hash = passwords.hashed(password)
        with _deed(by) as deed:
            identity.add_person(
                deed.connection, deed.actor, deed.now, **about, password_hash=password_hash, roles=pairs
            )
    typer.echo(f"{login} can sign in.")


@app.command()
def invite(login: Login, by: By, name: Name, email: Email = "", role: Roles = None) -> None:
    """Add a person who chooses a password by a link, which is mailed, or printed where it cannot be."""
    from shipsvc.app import invitations

    about = {"login": _login(login), "name": name, "email": email}
    pairs = _pairs(role)
    _invited(
        by,
        lambda deed, lasts: invitations.invite(deed.connection, deed.actor, deed.now, lasts, **about, roles=pairs),
    )


@app.command()
def reset(login: Login, by: By) -> None:
    """Let somebody choose a new password by a link; until it is used, the old one holds."""
    from shipsvc.app import identity, invitations
    from shipsvc.domain import errors

    def make(deed: Deed, lasts: timedelta) -> "Invited":
        account = identity.account(deed.connection, login)
        if account is None:
            raise errors.NotFound(what="account", name=login)
        return invitations.reset(deed.connection, deed.actor, deed.now, lasts, account["person"])

    _invited(by, make)


def _invited(by: str, make: Callable[[Deed, timedelta], "Invited"]) -> None:
    from shipsvc.cli import plainly
    from shipsvc.web import invited

    with plainly():
        with _deed(by) as deed:
            made = make(deed, timedelta(days=deed.settings.invitation_days))
        if invited.delivered(deed.settings, made):
            typer.echo(f"The link for {made.login} was mailed to {made.email}.")
        else:
            typer.echo(f"Give this link to {made.login} and to nobody else:\n{invited.link(deed.settings, made)}")
