"""Sending what a logger recorded: the table is looked at first, by columns; nothing is stored before it is sent."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.requests import ClientDisconnect

from shipsvc.app import documents, files, previews, sources, uploads
from shipsvc.app.documents import Told
from shipsvc.app.previews import BYTES_MAX, Preview
from shipsvc.domain import errors, layouts
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.web import api_readings
from shipsvc.web.api_files import folder
from shipsvc.web.api_readings import WRITE_BYTES
from shipsvc.web.deps import Work, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.multipart import FormReader
from shipsvc.web.pages import frames
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.svg import UNITS
from shipsvc.web.schemas import DocumentCode

router = APIRouter(include_in_schema=False)
Code = Annotated[DocumentCode, Path()]
LAYOUTS_MAX: Final = 200
#: A choice of layouts: the one that the source's document names, and one guessed from the file.
ITS_OWN, GUESS = "", "-"
NAMES: Final = frozenset({"layout", "run", "act", "keep_as"})
RUN_CHARACTERS_MAX: Final = 64
_CODE: Final = re.compile(r"[A-Z][A-Z0-9]{0,15}(-[A-Z0-9]{1,16}){0,3}")


@dataclass
class Arrived:
    """A form that has come: its fields, its file, and the beginning of that."""

    form: FormReader
    incoming: files.Incoming
    head: bytearray = field(default_factory=bytearray)

    @property
    def fields(self) -> dict[str, str]:
        """What was typed."""
        return {name: words.strip() for name, words in self.form.fields.items()}


@router.get("/sources/{code}/send")
def show(visit: VisitDep, code: Code) -> HTMLResponse:
    """The form."""
    return _page(visit, code, {})


@router.post("/sources/{code}/readings")
async def send(visit: VisitDep, code: Code, request: Request) -> Response:
    """With ``act`` "send" the file is kept and read; else its beginning is shown as it would be read."""
    await run_in_threadpool(_may_send, visit, code)
    form = FormReader(request.headers.get("content-type", ""), NAMES)
    with folder():
        incoming = await run_in_threadpool(visit.service.readings_shelf.begin)
        try:
            arrived = Arrived(form, incoming)
            await _receive(request, arrived)
            return await run_in_threadpool(_answered, visit, code, arrived)
        finally:
            incoming.discard()


async def _receive(request: Request, arrived: Arrived) -> None:
    waiting = bytearray()
    try:
        async for data in request.stream():
            for piece in arrived.form.feed(data):
                waiting += piece
            if len(waiting) >= WRITE_BYTES:
                await run_in_threadpool(_write, arrived, bytes(waiting))
                waiting.clear()
    except ClientDisconnect:
        pass  # the form says itself that it is not whole; nobody is there to read it
    arrived.form.finish()
    await run_in_threadpool(_write, arrived, bytes(waiting))


def _write(arrived: Arrived, data: bytes) -> None:
    if len(arrived.head) <= BYTES_MAX:
        arrived.head += data[: BYTES_MAX + 1]
    arrived.incoming.write(data)


def _may_send(visit: Visit, code: str) -> None:
    with visit.reading() as work:
        sources.may_send(work.connection, work.actor, code)


def _answered(visit: Visit, code: str, arrived: Arrived) -> Response:
    fields = arrived.fields
    try:
        if fields.get("act") != "send":
            return _page(visit, code, fields, preview=_preview(visit, code, arrived))
        layout = _kept(visit, code, arrived) if fields.get("layout") == GUESS else fields.get("layout") or None
        arrived.incoming.seal()
        if len(fields.get("run", "")) > RUN_CHARACTERS_MAX:
            why = errors.Text("a run is {most} characters at most", most=RUN_CHARACTERS_MAX)
            raise errors.Malformed(why=why, pointer="/run")
        name = files.safe_name(arrived.form.file_name or "")
        sent = uploads.Sent(
            arrived.incoming.sha256, arrived.incoming.size_bytes, "csv", fields.get("run", ""), name, layout
        )
        api_readings.taken(visit.service, visit.claims, code, arrived.incoming, sent)
    except errors.ShipsvcError as error:
        return _page(visit, code, fields, wrong=problem_of(error))
    return RedirectResponse(f"/sources/{code}#sent", 303)


def _preview(visit: Visit, code: str, arrived: Arrived) -> Preview:
    chosen = arrived.fields.get("layout", "")
    with visit.reading() as work:
        own = sources.found(work.connection, work.actor, code)["layout"]
        layout = None if chosen == GUESS else chosen or own
        return previews.preview(work.connection, work.actor, work.now(), code, bytes(arrived.head), layout)


def _kept(visit: Visit, code: str, arrived: Arrived) -> str:
    """The guessed layout, written down under the code that was typed. Malformed where there is none or nothing fits."""
    keep_as = arrived.fields.get("keep_as", "")
    found = _preview(visit, code, arrived)
    if found.layout is None:
        raise errors.Malformed(why="no layout fits this table; choose one, or describe it by POST /v1/layouts")
    if not _CODE.fullmatch(keep_as):
        why = "say under which code the guessed layout is to be kept, such as PLAIN-2"
        raise errors.Malformed(why=why, pointer="/keep_as")
    with unit_of_work(visit.service, visit.claims) as work:
        source = sources.found(work.connection, work.actor, code)
        content = {
            "institution": source["institution"],
            "what": f"as {arrived.form.file_name or 'a table'} of {code}"[:200],
            "content": json.dumps(layouts.written(found.layout), sort_keys=True),
        }
        told = Told(because="Guessed from a file, and looked at")
        documents.create(work.connection, work.actor, work.now(), sources.LAYOUT, keep_as, content, told)
    return keep_as


def _page(
    visit: Visit,
    code: str,
    fields: dict[str, str],
    *,
    preview: Preview | None = None,
    wrong: Problem | None = None,
) -> HTMLResponse:
    with visit.reading() as work:
        frame = frames.of(work, NOW)
        source = sources.may_send(work.connection, work.actor, code)
        shown: dict[str, Any] = {
            "source": source,
            "layouts": _layouts(work),
            "keeps": work.actor.has(source["institution"], *documents.KEEPERS) or work.actor.administers,
        }
    shown |= {"fields": fields, "wrong": wrong, "preview": preview, "mapping": _mapping(preview) if preview else []}
    return render("send_readings.html", frame, status=wrong.status if wrong else 200, guess=GUESS, **shown)


def _layouts(work: Work) -> Sequence[str]:
    when = documents.asked(None, None, work.now())
    rows = documents.page(work.connection, work.actor, sources.LAYOUT, when, after="", limit=LAYOUTS_MAX)
    return [str(row["code"]) for row in rows]


def _mapping(preview: Preview) -> list[dict[str, str]]:
    """Which column becomes what: its place, heading and quantity, the unit as written and the one it is kept in."""
    if preview.layout is None:
        return []
    heading = dict(enumerate(preview.headings, start=1))
    times = [
        {"column": str(n), "heading": heading.get(n, ""), "quantity": "time", "unit": "", "kept": "UTC"}
        for n in preview.layout.time_columns
    ]
    read = [
        {
            "column": str(one.column),
            "heading": heading.get(one.column, ""),
            "quantity": one.quantity.replace("_", " "),
            "unit": UNITS.get(one.unit, one.unit),
            "kept": UNITS.get(QUANTITIES[one.quantity], QUANTITIES[one.quantity]),
        }
        for one in preview.layout.columns
    ]
    return times + read
