"""Clients, which sign in by themselves: add, list, show, give a secret, revoke it, end."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import clients
from shipsvc.web import cursors
from shipsvc.web.client_schemas import (
    ClientId,
    ClientMade,
    ClientNew,
    ClientPage,
    ClientShown,
    SecretId,
    SecretMade,
    SecretNew,
    client_shown,
    secret_fields,
)
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.oauth import NO_STORE
from shipsvc.web.openapi import LINK, REPLAYED_HEADER, header, problems
from shipsvc.web.replays import Made, RequestKeyDep, once
from shipsvc.web.schemas import InstitutionCode

router = APIRouter(prefix="/v1/clients", tags=["identity"])
ClientPath = Annotated[ClientId, Path()]
LISTED: Any = {200: {"headers": LINK}}


@router.post(
    "",
    operation_id="add_client",
    summary="Add a program or a device",
    status_code=201,
    response_model=ClientMade,
    responses={
        201: {"headers": {"Location": header("The client", "/v1/clients/c11e..."), **REPLAYED_HEADER}},
        **problems(404, 409),
    },
)
def add_client(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: ClientNew) -> Response:
    """Administrators add what signs in by itself and acts for one institution: a device in the role of device, a
    service in those that it is given, which are never those of people who answer for something.
    """

    def _make(work: Work) -> Made:
        now = work.now()
        about: Any = {"institution": body.institution, "kind": body.kind, "name": body.name, "roles": body.roles}
        client = clients.add(work.connection, work.actor, now, **about)
        return Made(201, ClientMade(client=client, made_at=now), {"Location": f"/v1/clients/{client}"})

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


@router.get("", operation_id="list_clients", summary="Which programs and devices are there?", responses=LISTED)
def list_clients(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    response: Response,
    institution: Annotated[InstitutionCode | None, Query(description="Only those of this one")] = None,
) -> ClientPage:
    """Every client with its roles and secrets, ended ones too; for administrators."""
    after = asked.after("clients", str)
    with reading(service, claims) as work:
        found = clients.page(
            work.connection,
            work.actor,
            work.now(),
            institution,
            after=str(after[0]) if after else "",
            limit=asked.limit + 1,
        )
    page = cursors.cut(found, asked.limit, "clients", lambda one: (str(one.row["person"]),))
    cursors.link(response, asked, page)
    return ClientPage(items=[client_shown(one) for one in page.rows], next=page.next)


@router.get("/{client}", operation_id="show_client", summary="Which program is this?", responses=problems(404))
def show_client(service: ServiceDep, claims: ClaimsDep, client: ClientPath) -> ClientShown:
    """A client with its roles and secrets; for administrators, to others it is as unknown as none."""
    with reading(service, claims) as work:
        return client_shown(clients.show(work.connection, work.actor, work.now(), client))


@router.post(
    "/{client}/secrets",
    operation_id="add_client_secret",
    summary="Give a program another secret",
    status_code=201,
    responses={201: {"headers": {"Cache-Control": header("A secret is in it", "no-store")}}, **problems(404, 409)},
)
def add_client_secret(
    service: ServiceDep, claims: ClaimsDep, client: ClientPath, body: SecretNew, response: Response
) -> SecretMade:
    """The secret is told this once: what is kept cannot be turned back into it. Those that there are stay good, so that
    a program can change over before the old one is revoked. Lost an answer? Revoke that secret, and make another.
    """
    with unit_of_work(service, claims) as work:
        row, words = clients.add_secret(work.connection, work.actor, work.now(), client, body.label, body.expires_at)
    response.headers.update(NO_STORE)
    return SecretMade(**secret_fields(row), client_secret=words)


@router.post(
    "/{client}/secrets/{secret}/revoke",
    operation_id="revoke_client_secret",
    summary="Revoke a secret",
    responses=problems(404),
)
def revoke_client_secret(
    service: ServiceDep, claims: ClaimsDep, client: ClientPath, secret: Annotated[SecretId, Path()]
) -> ClientShown:
    """It is good no more, and the access tokens that were issued for it stop at once; those for other secrets go on.
    Doing it again changes nothing.
    """
    with unit_of_work(service, claims) as work:
        return client_shown(clients.revoke_secret(work.connection, work.actor, work.now(), client, secret))


@router.post(
    "/{client}/end", operation_id="end_client", summary="Let a program sign in no more", responses=problems(404)
)
def end_client(service: ServiceDep, claims: ClaimsDep, client: ClientPath) -> ClientShown:
    """All its secrets and tokens stop at once, and what it told stays. Doing it again changes nothing."""
    with unit_of_work(service, claims) as work:
        return client_shown(clients.end(work.connection, work.actor, work.now(), client))
