"""Evidence files: POST /v1/files keeps one, GET /v1/files/{sha256} hands it out, and erases it with /erase behind.

The first two are coroutines, unlike the other endpoints: while a slow sender sends, no thread waits for it.
"""

import logging
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar

import anyio.to_thread
from fastapi import APIRouter, Header, Request, Response
from fastapi import Path as InPath
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse
from starlette.requests import ClientDisconnect

from shipsvc.app import files, images
from shipsvc.domain import errors
from shipsvc.domain.files import CSV, TEXT, disposition
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, reading, unit_of_work
from shipsvc.web.file_schemas import DOWNLOAD, EXAMPLE_SHA256, GUARDS, UPLOAD, FileErasing, FileOut, file_out
from shipsvc.web.multipart import FormReader
from shipsvc.web.openapi import header, problems
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["files"])
UPLOADS: Final = "/v1/files"
#: Bytes gathered before a thread is asked to write them.
WRITE_BYTES: Final = 1 << 19
_INSTITUTION: Final = re.compile(r"[A-Z][A-Z0-9]{1,15}")
_TAGS: Final = re.compile(r'(?:W/)?"([^"]*)"')
log = logging.getLogger("shipsvc.files")
Result = TypeVar("Result")
Digest = Annotated[
    str, InPath(pattern="^[0-9a-f]{64}$", description="The SHA-256 of the file", examples=[EXAMPLE_SHA256])
]


@router.post(
    "/files",
    operation_id="keep_file",
    summary="Keep a file as evidence",
    status_code=201,
    response_model=FileOut,
    openapi_extra=UPLOAD,
    responses={
        201: {"headers": {"Location": header("Where the file is", f"{UPLOADS}/{EXAMPLE_SHA256}")}},
        200: {"description": "The institution has sent the same bytes before.", "model": FileOut},
        **problems(413, 415, 422),
    },
)
async def keep_file(service: ServiceDep, claims: ClaimsDep, request: Request, response: Response) -> FileOut:
    """Photographs and papers, for facts to name in `files_sha256`: what a file is, is found by reading it. The same
    bytes again change nothing. For everybody who may tell facts. Others than `acting_for` read images as copies
    without place, time and camera."""
    kept = await received(service, claims, request)
    response.status_code = 201 if kept.is_new else 200
    if kept.is_new:
        response.headers["Location"] = f"{UPLOADS}/{kept.row['sha256']}"
    return file_out(kept.row)


async def received(service: Service, claims: Claims, request: Request) -> files.Kept:
    """The file of a form, kept for the institution that the form names."""
    await run_in_threadpool(_first_look, service, claims)
    form = FormReader(request.headers.get("content-type", ""), frozenset({"acting_for"}))
    with folder():
        incoming = await run_in_threadpool(service.shelf.begin)
        try:
            return await _taken(service, claims, request, form, incoming)
        finally:
            # Also where the sender is gone, which ends this coroutine wherever it waits.
            incoming.discard()


async def drawn(service: Service, data: bytes) -> files.Incoming:
    """A small picture that came inside a form, sealed, looked at and put in its place; ``discard`` it in the end.
    WrongType where it is nothing that is kept."""
    with folder():
        incoming = await run_in_threadpool(service.shelf.begin)
        try:
            await run_in_threadpool(incoming.write, data)
            await run_in_threadpool(incoming.seal)
            await _looking(service, files.inspect, incoming)
            await run_in_threadpool(service.shelf.keep, incoming)
        except BaseException:
            incoming.discard()
            raise
    return incoming


async def _taken(
    service: Service, claims: Claims, request: Request, form: FormReader, incoming: files.Incoming
) -> files.Kept:
    """From the first byte of the form to the committed row."""
    await _receive(request, form, incoming)
    acting_for = _acting_for(form)
    await run_in_threadpool(_speaks_for, service, claims, acting_for)
    await run_in_threadpool(incoming.seal)
    media_type = await _looking(service, files.inspect, incoming)
    await run_in_threadpool(service.shelf.keep, incoming)
    kept = await run_in_threadpool(_keep, service, claims, incoming, media_type, form.file_name or "", acting_for)
    if not service.shelf.path(incoming.sha256).is_file():
        raise errors.Away(what="The same file was erased at this moment; it")
    return kept


@contextmanager
def folder() -> Iterator[None]:
    """A folder that is full, or is not there, is something that does not answer now: it may be mended."""
    try:
        yield
    except OSError as failure:
        log.exception("the folder of evidence files cannot be used")
        raise errors.Away(what="The folder of evidence files") from failure


async def _receive(request: Request, form: FormReader, incoming: files.Incoming) -> None:
    """Read the form to its end, and write the file as it comes."""
    waiting = bytearray()
    try:
        async for data in request.stream():
            for piece in form.feed(data):
                waiting += piece
            if len(waiting) >= WRITE_BYTES:
                await run_in_threadpool(incoming.write, bytes(waiting))
                waiting.clear()
    except ClientDisconnect:
        pass  # the form says itself that it is not whole; nobody is there to read it
    form.finish()
    await run_in_threadpool(incoming.write, bytes(waiting))


def _acting_for(form: FormReader) -> str:
    said = form.fields.get("acting_for", "")
    if not _INSTITUTION.fullmatch(said):
        why = "say in acting_for for which institution the file is kept, by its code"
        raise errors.Malformed(why=why, pointer="/acting_for")
    return said


def _first_look(service: Service, claims: Claims) -> None:
    with reading(service, claims) as work:
        files.may_upload(work.actor)


def _speaks_for(service: Service, claims: Claims, acting_for: str) -> None:
    with reading(service, claims) as work:
        work.actor.may_speak_for(acting_for)


def _keep(
    service: Service, claims: Claims, incoming: files.Incoming, media_type: str, name: str, acting_for: str
) -> files.Kept:
    with unit_of_work(service, claims) as work:
        return files.keep(work.connection, work.actor, work.now(), incoming, media_type, name, acting_for)


async def _looking(service: Service, look: Callable[..., Result], *what: Any) -> Result:
    """In a thread of its own, one at a time: the threads that answer requests do not wait for it."""
    return await anyio.to_thread.run_sync(partial(look, *what), limiter=service.looking)


@router.get(
    "/files/{sha256}",
    operation_id="show_file",
    summary="A file",
    response_class=Response,
    responses={**DOWNLOAD, **problems(404)},
)
async def show_file(
    service: ServiceDep,
    claims: ClaimsDep,
    sha256: Digest,
    if_none_match: Annotated[
        str | None,
        Header(
            max_length=1000, pattern="^[ -~]*$", description="ETags that you have", examples=[f'"{EXAMPLE_SHA256}"']
        ),
    ] = None,
) -> Response:
    """As it was sent, for the institution that sent it. For those who read its hash in a fact of that institution's and
    for auditors: images as a copy made of their points alone, turned upright; other files as they are."""
    found = await run_in_threadpool(_find, service, claims, sha256)
    headers = {
        **GUARDS,
        "ETag": f'"{sha256}-copy"' if found.as_copy else f'"{sha256}"',
        "Content-Disposition": disposition(found.name),
    }
    if if_none_match and _matches(if_none_match, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    with folder():
        path = await path_of(service, found)
        size_bytes = (await run_in_threadpool(path.stat)).st_size
    kind = f"{found.media_type}; charset=utf-8" if found.media_type in {TEXT, CSV} else found.media_type
    return StreamingResponse(
        files.pieces(path), headers={**headers, "Content-Length": str(size_bytes)}, media_type=kind
    )


def _find(service: Service, claims: Claims, sha256: str) -> files.Readable:
    with reading(service, claims) as work:
        found = files.find(work.connection, work.actor, sha256, work.now())
    if not service.shelf.path(sha256).is_file():
        log.error("the bytes of a file are not there: %s", sha256)
        raise errors.NotFound(what="file", name=sha256)
    return found


def _matches(asked: str, tag: str) -> bool:
    """RFC 9110 section 13.1.2: any of the tags, compared weakly, or ``*``."""
    return asked.strip() == "*" or tag.strip('"') in _TAGS.findall(asked)


async def path_of(service: Service, found: files.Readable) -> Path:
    """Where the bytes are that are handed out; a copy that is not there is made again."""
    shelf = service.shelf
    if not found.as_copy:
        return shelf.path(found.sha256)
    copy = shelf.copy_path(found.sha256)
    if not await run_in_threadpool(copy.is_file):
        # It was made with the upload; where only the originals were brought back, it is made again.
        await _looking(service, _copy_again, shelf, found)
    return copy


def _copy_again(shelf: files.Shelf, found: files.Readable) -> None:
    made = shelf.scratch()
    try:
        images.copy_without_metadata(shelf.path(found.sha256), made, found.media_type)
        shelf.keep_copy(found.sha256, made)
    finally:
        made.unlink(missing_ok=True)


@router.post("/files/{sha256}/erase", operation_id="erase_file", summary="Erase a file", responses=problems(404))
def erase_file(service: ServiceDep, claims: ClaimsDep, sha256: Digest, body: FileErasing) -> FileOut:
    """For curators, registrars and responsible persons of the institution that sent it, and administrators. The name is
    erased, and the bytes too unless another institution sent the same. Facts that name the file stay, and so do all
    digests; that it was erased, by whom and why, is recorded. Doing it again changes nothing."""
    with unit_of_work(service, claims) as work:
        row = files.erase(work.connection, work.actor, work.now(), sha256, body.acting_for, body.because)

    def still_kept() -> bool:
        with reading(service, claims) as work:
            return files.is_kept(work.connection, sha256)

    with folder():
        files.take_away(still_kept, service.shelf, sha256)
    return file_out(row)
