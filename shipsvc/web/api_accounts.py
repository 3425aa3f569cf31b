"""Passwords: one's own, and those that others choose by an invitation."""

from collections.abc import Callable
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

from shipsvc.app import attempts, identity, invitations, passwords
from shipsvc.app.invitations import Invited
from shipsvc.web import invited
from shipsvc.web.account_schemas import (
    Accepted,
    InvitationMade,
    InvitationTaken,
    PasswordChange,
    PasswordChanged,
    PersonInvited,
)
from shipsvc.web.api_token import password_tried
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading, transaction, unit_of_work
from shipsvc.web.identity_schemas import PersonId
from shipsvc.web.oauth import NO_STORE, client_address
from shipsvc.web.openapi import header, problems
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["identity"])
_NOT_KEPT = {"headers": {"Cache-Control": header("A secret is in it", "no-store")}}


@router.post(
    "/me/password", operation_id="change_own_password", summary="Change my password", responses=problems(404, 429)
)
def change_own_password(
    request: Request, service: ServiceDep, claims: ClaimsDep, body: PasswordChange
) -> PasswordChanged:
    """With the password until now, which counts as a try to sign in. Every session ends, this one too: sign in anew."""
    with reading(service, claims) as work:
        account = identity.account_of(work.connection, work.actor.person)
    old = body.old_password.get_secret_value()
    found, made, _ = password_tried(service, account["login"], old, client_address(request))
    password_hash = passwords.hashed(body.new_password.get_secret_value())
    with unit_of_work(service, claims) as work:
        now = work.now()
        identity.hold_unchanged(work.connection, found)
        identity.change_password(work.connection, now, found, password_hash)
        attempts.succeeded(work.connection, made)
    return PasswordChanged(changed_at=now)


@router.post(
    "/invitations",
    operation_id="invite",
    summary="Invite a person",
    status_code=201,
    responses={201: _NOT_KEPT, **problems(404, 409)},
)
def invite(service: ServiceDep, claims: ClaimsDep, body: PersonInvited, response: Response) -> InvitationMade:
    """Administrators add people who choose their passwords themselves, by a link that is good once and goes by mail.
    Where no mail server is set, or it refuses, the link is in the answer. Lost an answer? Reset the password.
    """
    about = {"name": body.name, "email": body.email, "login": body.login}
    roles = [(given.institution, given.role) for given in body.roles]
    return _made(
        service,
        claims,
        response,
        lambda work, lasts: invitations.invite(work.connection, work.actor, work.now(), lasts, **about, roles=roles),
    )


@router.post(
    "/people/{person}/reset",
    operation_id="reset_password",
    summary="Let somebody choose a new password",
    status_code=201,
    responses={201: _NOT_KEPT, **problems(404, 409)},
)
def reset_password(
    service: ServiceDep, claims: ClaimsDep, person: Annotated[PersonId, Path()], response: Response
) -> InvitationMade:
    """Administrators have a link sent by which somebody chooses a new password; earlier links are void. Until it is
    used, the old password holds.
    """
    return _made(
        service,
        claims,
        response,
        lambda work, lasts: invitations.reset(work.connection, work.actor, work.now(), lasts, person),
    )


def _made(
    service: Service, claims: Claims, response: Response, make: Callable[[Work, timedelta], Invited]
) -> InvitationMade:
    lasts = timedelta(days=service.settings.invitation_days)
    with unit_of_work(service, claims) as work:
        made = make(work, lasts)
    response.headers.update(NO_STORE)
    mailed = invited.delivered(service.settings, made)
    link = None if mailed else invited.link(service.settings, made)
    return InvitationMade(person=made.person, login=made.login, expires_at=made.expires_at, mailed=mailed, link=link)


@router.post(
    "/invitations/accept",
    operation_id="accept_invitation",
    summary="Choose a password by an invitation",
    responses=problems(404, 422, 503),
)
def accept_invitation(service: ServiceDep, body: InvitationTaken) -> Accepted:
    """Needs no sign-in: the secret of the link, which is good once. Every session that was open ends."""
    secret = body.token.get_secret_value()
    with transaction(service, writes=False) as connection:
        invitations.person_of(connection, service.now(connection), secret)
    password_hash = passwords.hashed(body.password.get_secret_value())
    with transaction(service, writes=True) as connection:
        login = invitations.accept(connection, service.now(connection), secret, password_hash)
    return Accepted(login=login)
