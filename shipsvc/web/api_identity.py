"""People and their roles: who am I, add somebody, give a role or end it, close an account."""

from typing import Annotated

from fastapi import APIRouter, Path, Response

from shipsvc.app import departures, documents, identity, passwords
from shipsvc.web import api_accounts, api_clients, api_sessions, api_token, invited
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.identity_schemas import (
    InstitutionNamed,
    LeavingNew,
    Me,
    PersonId,
    PersonMade,
    PersonNew,
    PersonShown,
    RoleChanged,
    RoleTold,
    me,
    shown,
)
from shipsvc.web.openapi import REPLAYED_HEADER, header, problems
from shipsvc.web.replays import Made, RequestKeyDep, once

router = APIRouter()
people = APIRouter(prefix="/v1", tags=["identity"])
PersonPath = Annotated[PersonId, Path()]


@people.get("/me", operation_id="who_am_i", summary="Who am I, and where do I act?")
def who_am_i(service: ServiceDep, claims: ClaimsDep) -> Me:
    """The person behind the token with the roles in force now, and the institutions that they act for, with names and
    zones: their own, and those that one of these took over from.
    """
    with reading(service, claims) as work:
        now = work.now()
        found = identity.profile(work.connection, work.actor, now, work.actor.person)
        rows = documents.names(work.connection, work.actor.institutions, now)
    return me(found, [InstitutionNamed(code=row["code"], name=row["name"], zone=row["zone"]) for row in rows])


@people.post(
    "/people",
    operation_id="add_person",
    summary="Add a person",
    status_code=201,
    response_model=PersonMade,
    responses={
        201: {"headers": {"Location": header("The person", "/v1/people/6f1d..."), **REPLAYED_HEADER}},
        **problems(404, 409),
    },
)
def add_person(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: PersonNew) -> Response:
    """Administrators add people, with an account and roles. Names can be erased later; the id stays."""
    # Before the transaction: hashing takes longer than all the rest, and others wait for the write lock.
    password_hash = passwords.hashed(body.password.get_secret_value())

    def _make(work: Work) -> Made:
        now = work.now()
        person = identity.add_person(
            work.connection,
            work.actor,
            now,
            name=body.name,
            email=body.email,
            login=body.login,
            password_hash=password_hash,
            roles=[(given.institution, given.role) for given in body.roles],
        )
        return Made(201, PersonMade(person=person, recorded_at=now), {"Location": f"/v1/people/{person}"})

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


@people.get("/people/{person}", operation_id="show_person", summary="Who is this?", responses=problems(404))
def show_person(service: ServiceDep, claims: ClaimsDep, person: PersonPath) -> PersonShown:
    """Oneself, people at one's own institutions, and anybody for auditors and administrators; else 404."""
    with reading(service, claims) as work:
        return shown(identity.profile(work.connection, work.actor, work.now(), person))


@people.post(
    "/people/{person}/roles",
    operation_id="change_role",
    summary="Give a role, or end it",
    status_code=201,
    response_model=RoleChanged,
    responses={201: {"headers": REPLAYED_HEADER}, **problems(404, 409)},
)
def change_role(
    service: ServiceDep, claims: ClaimsDep, person: PersonPath, key: RequestKeyDep, body: RoleTold
) -> Response:
    """Administrators give roles and end them, from a moment on. Nothing is overwritten: of the changes that have begun,
    the one told last decides. Somebody must be left who administers the service.
    """

    def _make(work: Work) -> Made:
        row = identity.change_role(
            work.connection,
            work.actor,
            work.now(),
            person,
            body.institution,
            body.role,
            granted=body.change == "grant",
            from_at=body.from_at,
        )
        told = {name: row[name] for name in ("person", "institution", "role", "from_at", "recorded_at", "actor")}
        return Made(201, RoleChanged(**told, change=body.change))

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


@people.post(
    "/people/{person}/close",
    operation_id="close_account",
    summary="Let a person sign in no more",
    responses=problems(404, 409),
)
def close_account(service: ServiceDep, claims: ClaimsDep, person: PersonPath) -> PersonShown:
    """Administrators close an account; its tokens stop at once. Doing it again changes nothing."""
    with unit_of_work(service, claims) as work:
        return shown(identity.close_account(work.connection, work.actor, work.now(), person))


@people.post(
    "/people/{person}/leave",
    operation_id="tell_leaving",
    summary="Somebody left",
    responses=problems(404, 409),
)
def tell_leaving(service: ServiceDep, claims: ClaimsDep, person: PersonPath, body: LeavingNew) -> PersonShown:
    """Every role ends from that moment on, and the sign-in; what they signed stays. What they were to answer for is
    their deputy's or, without one, the institution's. For administrators, and for curators, registrars and deputies of
    all institutions that they had a role at.
    """
    with unit_of_work(service, claims) as work:
        return shown(departures.leave(work.connection, work.actor, work.now(), person, body.from_at))


@people.post(
    "/people/{person}/erase-name",
    operation_id="erase_name",
    summary="Erase a person's name and email",
    responses=problems(404),
)
def erase_name(service: ServiceDep, claims: ClaimsDep, person: PersonPath) -> PersonShown:
    """Administrators erase both for good. The id, the roles and all that was signed stay, and every digest holds. Doing
    it again changes nothing.
    """
    with unit_of_work(service, claims) as work:
        return shown(departures.erase_name(work.connection, work.actor, work.now(), person))


router.include_router(api_token.router)
router.include_router(api_sessions.router)
router.include_router(api_accounts.router)
router.include_router(api_clients.router)
router.include_router(invited.router)
router.include_router(people)
