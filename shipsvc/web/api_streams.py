"""Readings as they are measured: SenML lines that are committed piece by piece while they come in."""

import time
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from shipsvc.app import reading_streams
from shipsvc.app.reading_streams import Cutter, Piece
from shipsvc.web.api_files import folder
from shipsvc.web.api_readings import AskedRun, Source, taken
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, reading
from shipsvc.web.openapi import problems
from shipsvc.web.reading_schemas import EXAMPLE_LINES, BadLine, StreamName, StreamOut, StreamState, upload_out
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["readings"])
LISTED_MAX: Final = 200
FirstLine = Annotated[
    int, Query(ge=0, le=2**53, description="The number of the first line sent, from 0 on", examples=[0])
]
_BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": False,
        "description": "SenML records (RFC 8428), one a line. Base fields hold for the rest of the request.",
        "content": {"application/sensml+json": {"schema": {}, "example": EXAMPLE_LINES}},
    }
}


@router.post(
    "/sources/{code}/readings/stream",
    operation_id="stream_readings",
    summary="Send what it records, as it does",
    response_model=StreamOut,
    openapi_extra=_BODY,
    responses=problems(404, 409, 413),
)
async def stream_readings(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Source,
    request: Request,
    stream: Annotated[StreamName, Query(description="The name of the stream, of your own choosing")],
    from_line: FirstLine = 0,
    run: AskedRun = "",
) -> StreamOut:
    """Every thousand lines, and what there is every five seconds, are committed while the rest is on its way. Who is
    cut off asks where to go on (`GET .../streams/{stream}`) and sends from there; lines that were committed before are
    passed over. Each request is a SenML stream of its own: base fields begin anew."""
    cutter = await run_in_threadpool(_begin, service, claims, code, stream, from_line)
    told = StreamOut(stream=stream, next_line=cutter.next_line, rows_stored=0, rows_bad=0, bad=[])

    async def commit(pieces: list[Piece]) -> None:
        for piece in pieces:
            await run_in_threadpool(_commit, service, claims, code, piece, told, run)

    with folder():
        since = time.monotonic()
        try:
            async for data in request.stream():
                await commit(cutter.feed(data))
                if time.monotonic() - since > reading_streams.PIECE_S:
                    await commit(cutter.cut())
                    since = time.monotonic()
        except ClientDisconnect:
            pass  # what came is committed; the sender asks where to go on
        await commit(cutter.finish())
    return told


def _begin(service: Service, claims: Claims, code: str, stream: str, from_line: int) -> Cutter:
    with reading(service, claims) as work:
        return reading_streams.begin(work.connection, work.actor, code, stream, from_line)


def _commit(service: Service, claims: Claims, code: str, piece: Piece, told: StreamOut, run: str) -> None:
    incoming = service.readings_shelf.begin()
    try:
        incoming.write(piece.content)
        incoming.seal()
        row, _ = taken(service, claims, code, incoming, piece.sent(incoming.sha256, told.stream, run))
    finally:
        incoming.discard()
    told.next_line = piece.first_line + piece.lines
    told.rows_stored += row["rows_stored"]
    told.rows_bad += row["rows_bad"]
    told.bad += [BadLine(line=piece.first_line + one.line - 1, why=one.why) for one in upload_out(row).bad][
        : LISTED_MAX - len(told.bad)
    ]


@router.get(
    "/sources/{code}/streams/{stream}",
    operation_id="show_stream",
    summary="Where a stream goes on",
    responses=problems(404),
)
def show_stream(
    service: ServiceDep, claims: ClaimsDep, code: Source, stream: Annotated[StreamName, Path()]
) -> StreamState:
    """The number of the first line that is not committed; 0 for a stream that has not begun."""
    with reading(service, claims) as work:
        found = reading_streams.next_line(work.connection, work.actor, code, stream)
    return StreamState(stream=stream, next_line=found)
