"""Readings on their way in: POST /v1/sources/{code}/readings keeps the bytes, then reads them, then answers.

Like evidence files they come in by a coroutine, so that a slow sender holds no thread; what reads them works in one.
"""

import re
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from functools import partial
from typing import Annotated, Any, Final, TypeVar

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from shipsvc.app import files, reading_files, sources, uploads
from shipsvc.domain import errors
from shipsvc.store.engine import Row
from shipsvc.web import cursors
from shipsvc.web.api_files import folder
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading, transaction, unit_of_work, work_of
from shipsvc.web.document_answers import LISTED
from shipsvc.web.openapi import header, problems
from shipsvc.web.reading_schemas import (
    EXAMPLE_PACK,
    EXAMPLE_TABLE,
    EXAMPLE_UPLOAD,
    UploadId,
    UploadOut,
    UploadPage,
    Withdrawing,
    upload_out,
)
from shipsvc.web.schemas import DocumentCode
from shipsvc.web.source_schemas import Run
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["readings"])
#: Paths that take files of readings.
UPLOADS: Final = re.compile(r"/v1/sources/[^/]+/readings(?:/stream)?|/sources/[^/]+/readings")
#: Bytes gathered before a thread is asked to write them.
WRITE_BYTES: Final = 1 << 19
FORMATS: Final[Mapping[str, str]] = {
    "text/csv": "csv",
    "text/plain": "csv",
    "text/tab-separated-values": "csv",
    "application/senml+json": "senml_json",
    "application/json": "senml_json",
    "application/senml+cbor": "senml_cbor",
    "application/cbor": "senml_cbor",
    "application/sensml+json": "senml_lines",
    "application/x-ndjson": "senml_lines",
}
Result = TypeVar("Result")
Source = Annotated[DocumentCode, Path(examples=["LG-101"])]
Upload = Annotated[UploadId, Path(examples=[EXAMPLE_UPLOAD])]
AskedLayout = Annotated[
    DocumentCode | None,
    Query(description="How a table is to be read; left out: as the source's document says", examples=["PLAIN"]),
]
AskedRun = Annotated[
    Run, Query(description="Which time out, for a logger whose clock is set anew for each", examples=["T-02"])
]
FileName = Annotated[str, Query(max_length=120, description="What the file is called", examples=["LG-101.csv"])]
_BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": "A table, or SenML (RFC 8428) as JSON, CBOR or JSON lines. The bytes are kept as they come.",
        # Any value: what is in a table is for its layout to say, not for a schema.
        "content": {
            "application/senml+json": {"schema": {}, "example": EXAMPLE_PACK},
            "text/csv": {"schema": {}, "example": EXAMPLE_TABLE},
        },
    }
}


@router.post(
    "/sources/{code}/readings",
    operation_id="send_readings",
    summary="Send what it recorded",
    status_code=201,
    response_model=UploadOut,
    openapi_extra=_BODY,
    responses={
        201: {"headers": {"Location": header("Where the upload is", f"/v1/sources/LG-101/uploads/{EXAMPLE_UPLOAD}")}},
        200: {"description": "The same bytes were sent before.", "model": UploadOut},
        **problems(404, 409, 413, 415, 422),
    },
)
async def send_readings(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Source,
    request: Request,
    response: Response,
    layout: AskedLayout = None,
    run: AskedRun = "",
    name: FileName = "",
) -> UploadOut:
    """Any table by a layout (`text/csv`), or SenML (`application/senml+json`, `application/senml+cbor`, or one record a
    line as `application/sensml+json`). Rows that cannot be read are listed with their lines, the others are stored, and
    all of it is kept as it came. The same file again changes nothing. For whoever may speak for the source's
    institution or one of its readers, devices included."""
    written = _format(request)
    await run_in_threadpool(_may_send, service, claims, code)
    with folder():
        incoming = await run_in_threadpool(service.readings_shelf.begin)
        try:
            await receive(request, incoming)
            await run_in_threadpool(incoming.seal)
            sent = uploads.Sent(incoming.sha256, incoming.size_bytes, written, run, files.safe_name(name), layout)
            row, fresh = await run_in_threadpool(taken, service, claims, code, incoming, sent)
        finally:
            # Also where the sender is gone, which ends this coroutine wherever it waits.
            incoming.discard()
    response.status_code = 201 if fresh else 200
    if fresh:
        response.headers["Location"] = f"/v1/sources/{code}/uploads/{row['id']}"
    return upload_out(row)


def _format(request: Request) -> str:
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type not in FORMATS:
        raise errors.WrongType(why=f"readings come as {', '.join(FORMATS)}.")
    return FORMATS[media_type]


async def receive(request: Request, incoming: files.Incoming) -> None:
    """Write the body as it comes."""
    waiting = bytearray()
    try:
        async for data in request.stream():
            waiting += data
            if len(waiting) >= WRITE_BYTES:
                await run_in_threadpool(incoming.write, bytes(waiting))
                waiting.clear()
    except ClientDisconnect:
        raise errors.Malformed(why="the body broke off") from None
    await run_in_threadpool(incoming.write, bytes(waiting))


def _may_send(service: Service, claims: Claims, code: str) -> None:
    with reading(service, claims) as work:
        sources.may_send(work.connection, work.actor, code)


def taken(
    service: Service, claims: Claims, code: str, incoming: files.Incoming, sent: uploads.Sent
) -> tuple[Row, bool]:
    """From sealed bytes to readings that count: the bytes first, then the word that they came, then what is in them.

    The upload, and whether it is this one.
    """
    begun = stored(
        service, lambda: transaction(service, writes=True), partial(work_of, service, claims), code, incoming, sent
    )
    with reading(service, claims) as work:
        return uploads.show(work.connection, work.actor, code, begun.row["id"]), not begun.over


def stored(
    service: Service,
    begin: Callable[[], AbstractContextManager[sa.Connection]],
    work_in: Callable[[sa.Connection], Work],
    code: str,
    incoming: files.Incoming,
    sent: uploads.Sent,
) -> uploads.Begun:
    """Keep sealed bytes and read them, on behalf of whoever ``work_in`` says."""
    blocks = reading_files.opened(incoming.path, sent.format)
    service.readings_shelf.keep(incoming)
    with begin() as connection:
        work = work_in(connection)
        now = work.now()
        begun = uploads.begin(connection, work.actor, now, code, sent)
        reading_files.keep(connection, work.actor, now, begun, incoming)
    if not begun.over:
        if sent.format in {uploads.TABLE, uploads.LINES}:
            blocks = reading_files.opened(service.shelf.path(sent.sha256), sent.format)
        reading_files.read(in_transaction(service), service.now, begun, blocks)
    return begun


def in_transaction(service: Service) -> uploads.InTransaction[Any]:
    """Calls what it is given in a transaction of its own."""

    def _run(act: Callable[[sa.Connection], Result]) -> Result:
        with transaction(service, writes=True) as connection:
            return act(connection)

    return _run


@router.get(
    "/sources/{code}/uploads",
    operation_id="list_uploads",
    summary="Uploads of a source",
    responses=LISTED | problems(404),
)
def list_uploads(
    service: ServiceDep, claims: ClaimsDep, code: Source, asked: AskedDep, response: Response
) -> UploadPage:
    """What was sent of it, with how each upload ended or how far it is."""
    after = asked.after("uploads", str)
    with reading(service, claims) as work:
        first = str(after[0]) if after else ""
        rows = uploads.page(work.connection, work.actor, code, after=first, limit=asked.limit + 1)
    page = cursors.cut(list(rows), asked.limit, "uploads", lambda row: (row["id"],))
    cursors.link(response, asked, page)
    return UploadPage(items=[upload_out(row) for row in page.rows], next=page.next)


@router.get(
    "/sources/{code}/uploads/{upload}", operation_id="show_upload", summary="An upload", responses=problems(404)
)
def show_upload(service: ServiceDep, claims: ClaimsDep, code: Source, upload: Upload) -> UploadOut:
    """How it ended; or, while it is being read, how far it is."""
    with reading(service, claims) as work:
        return upload_out(uploads.show(work.connection, work.actor, code, upload))


@router.post(
    "/sources/{code}/uploads/{upload}/withdraw",
    operation_id="withdraw_upload",
    summary="Withdraw an upload",
    responses=problems(404),
)
def withdraw_upload(
    service: ServiceDep, claims: ClaimsDep, code: Source, upload: Upload, body: Withdrawing
) -> UploadOut:
    """Its readings count no longer, such as where they were read by a wrong layout; as known before, they still do. The
    same file may then be sent again. For whoever sent it, and curators and registrars of the source's institution."""
    with unit_of_work(service, claims) as work:
        row = uploads.withdraw(work.connection, work.actor, work.now(), code, upload, body.because)
    return upload_out(row)
