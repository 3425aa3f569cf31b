"""One's own sessions: which are open, and ending one."""

from typing import Annotated

from fastapi import APIRouter, Path

from shipsvc.app import sessions
from shipsvc.web.account_schemas import SessionId, SessionList, SessionShown, session_shown
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading, unit_of_work
from shipsvc.web.openapi import problems

router = APIRouter(prefix="/v1/me", tags=["identity"])


@router.get("/sessions", operation_id="list_own_sessions", summary="Where am I signed in?")
def list_own_sessions(service: ServiceDep, claims: ClaimsDep) -> SessionList:
    """Every session of one's own that is open, the newest first."""
    with reading(service, claims) as work:
        found = sessions.own(work.connection, work.now(), work.actor.person)
    return SessionList(sessions=[session_shown(row, claims.sid) for row in found])


@router.post(
    "/sessions/{session}/end",
    operation_id="end_own_session",
    summary="End one of my sessions",
    responses=problems(404),
)
def end_own_session(service: ServiceDep, claims: ClaimsDep, session: Annotated[SessionId, Path()]) -> SessionShown:
    """Its tokens stop at once, on a phone that was lost or in this very program. Doing it again changes nothing."""
    with unit_of_work(service, claims) as work:
        ended = sessions.end_own(work.connection, work.now(), work.actor.person, session)
    return session_shown(ended, claims.sid)
