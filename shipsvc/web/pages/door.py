"""Two sides at the door: pictures that a device kept, and a link by which whoever takes a thing signs on a phone."""

import base64
import binascii
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Form, Path, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, ConfigDict, Field

from shipsvc.app import files, handovers, labels
from shipsvc.domain import errors
from shipsvc.web import api_files
from shipsvc.web.decisions import attempted, new_id
from shipsvc.web.deps import Service, ServiceDep, transaction, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.fact_schemas import UUID_PATTERN
from shipsvc.web.file_schemas import FileOut, file_out
from shipsvc.web.pages import frames, session
from shipsvc.web.pages.frames import NOW
from shipsvc.web.pages.rendering import NOBODY, render
from shipsvc.web.pages.session import VisitDep

router = APIRouter(include_in_schema=False)
Secret = Annotated[str, Path(max_length=100, pattern="^[A-Za-z0-9_-]+$")]
#: A drawing as the script sends it: a PNG, at most so many characters of base64.
DRAWN, DRAWN_CHARACTERS_MAX = "data:image/png;base64,", 400_000
NAME_MAX: Final = 100
#: W3C PNG, section 5.2.
PNG_BEGINS: Final = b"\x89PNG\r\n\x1a\n"


class SignForm(BaseModel):
    """What whoever signs sends: printed name, and what they drew, "" where they did not."""

    model_config = ConfigDict(extra="forbid")
    id: Annotated[str, Field(pattern=UUID_PATTERN)]
    name: Annotated[str, Field(max_length=NAME_MAX, pattern=r"\S")]
    drawn: Annotated[str, Field(max_length=DRAWN_CHARACTERS_MAX)] = ""


@router.post("/scan/files")
async def keep_file(
    visit: VisitDep, request: Request, response: Response, person: Annotated[str, Query(max_length=64)]
) -> FileOut:
    """A photograph or a signature that a device kept, in the name of who took it or not at all."""
    if person != visit.claims.sub:
        raise errors.NotedByAnother
    kept = await api_files.received(visit.service, visit.claims, request)
    response.status_code = 201 if kept.is_new else 200
    return file_out(kept.row)


@router.post("/handover")
def offer(visit: VisitDep, release: Annotated[str, Form(pattern=UUID_PATTERN)]) -> HTMLResponse:
    """A link, as a symbol to be read from this screen, by which whoever takes the things signs for them."""
    with unit_of_work(visit.service, visit.claims) as work:
        frame = frames.of(work, NOW)
        made, secret = handovers.offer(work.connection, work.actor, work.now(), release)
    link = f"{visit.service.settings.base_url.rstrip('/')}/sign/{secret}"
    modules = labels.matrix(link, "M")
    return render("handover.html", frame, made=made, link=link, side=len(modules), strokes=labels.strokes(modules))


@router.get("/sign/{secret}")
def show(service: ServiceDep, secret: Secret) -> HTMLResponse:
    """What is handed over, and a place to sign; for whoever has the link."""
    with transaction(service, writes=False) as connection:
        now = service.now(connection)
        made = handovers.find(connection, now, secret)
    return _page(made, new_id(now))


@router.post("/sign/{secret}", dependencies=[Depends(session.require_own_page)])
async def sign(service: ServiceDep, secret: Secret, form: Annotated[SignForm, Form()]) -> HTMLResponse:
    """The acceptance is told, and the link is spent."""
    made = await run_in_threadpool(_found, service, secret)
    incoming = None
    try:
        name = " ".join(form.name.split())
        incoming = await api_files.drawn(service, _picture(form.drawn)) if form.drawn else None
        await run_in_threadpool(_signed, service, secret, name, incoming, form.id)
    except (errors.Malformed, errors.WrongType) as error:
        return _page(made, form.id, problem_of(error), form.name)
    finally:
        if incoming is not None:
            incoming.discard()
    return render("signed.html", NOBODY, made=made, name=name)


def _found(service: Service, secret: str) -> handovers.Handover:
    with transaction(service, writes=False) as connection:
        return handovers.find(connection, service.now(connection), secret)


def _picture(drawn: str) -> bytes:
    try:
        data = base64.b64decode(drawn.removeprefix(DRAWN), validate=True)
    except binascii.Error:
        data = b""
    if not data.startswith(PNG_BEGINS):
        raise errors.WrongType(why="a signature is a drawing, as PNG.")
    return data


def _signed(service: Service, secret: str, name: str, incoming: files.Incoming | None, event_id: str) -> None:
    def once() -> None:
        with transaction(service, writes=True) as connection:
            signature = handovers.Signature(name, incoming.sha256 if incoming else None)
            if incoming is not None:
                made = handovers.find(connection, service.now(connection), secret)
                kept = (incoming, "image/png", "signature.png", made.giver)
                files.keep(connection, made.actor, service.now(connection), *kept)
            handovers.sign(connection, lambda: service.now(connection), secret, signature, event_id)

    attempted(once)


def _page(made: handovers.Handover, event_id: str, wrong: Problem | None = None, name: str = "") -> HTMLResponse:
    shown: dict[str, Any] = {"made": made, "id": event_id, "wrong": wrong, "name": name, "name_max": NAME_MAX}
    return render("sign.html", NOBODY, status=wrong.status if wrong else 200, **shown)
