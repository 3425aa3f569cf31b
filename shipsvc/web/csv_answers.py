"""Reports as CSV (RFC 4180): all rows, read page by page, so that the memory needed does not grow with the report.

A spreadsheet takes a cell that begins like a formula for one, whoever wrote it; such cells are told to be text.
"""

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any, Final

from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from shipsvc.domain.times import format_instant

MEDIA_TYPE: Final = "text/csv"
#: RFC 4180 section 3: the first line names the columns.
CONTENT_TYPE: Final = "text/csv; charset=utf-8; header=present"
#: What spreadsheets may read as the beginning of a formula, wide forms included (OWASP, CSV Injection).
FORMULA_STARTS: Final = tuple("=+-@\t\r\n＝＋－＠")
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")


def is_asked(accept: str | None, *others: str) -> bool:
    """Whether an Accept header (RFC 9110 section 12.5.1) asks for CSV rather than for JSON (or other types of
    ``application/*`` that there are instead). JSON wins a tie.
    """
    wanted = dict(map(_range, (accept or "*/*").split(",")))
    other = wanted.get("*/*", 0.0)
    as_csv = wanted.get(MEDIA_TYPE, wanted.get("text/*", other))
    any_application = wanted.get("application/*", other)
    return as_csv > max(wanted.get(media, any_application) for media in others or ("application/json",))


def _range(text: str) -> tuple[str, float]:
    media, *parameters = (part.strip().lower() for part in text.split(";"))
    weight = next((p[2:] for p in parameters if p.startswith("q=")), "1")
    return media, float(weight) if re.fullmatch(r"(0(\.[0-9]{0,3})?|1(\.0{0,3})?)", weight) else 0.0


def harmless(cell: Any) -> str:
    """A value as the text of a cell: lists with spaces between, objects as JSON, nothing for None, no formula.

    Numbers, negative ones included, stay as they are; an apostrophe before anything else that could be a formula is
    what tells a spreadsheet that it is text.
    """
    if isinstance(cell, list):
        return harmless(" ".join(map(str, cell)))
    if isinstance(cell, dict):
        return json.dumps(cell, ensure_ascii=False)
    text = "" if cell is None else str(cell)
    return f"'{text}" if text.startswith(FORMULA_STARTS) and not _NUMBER.fullmatch(text) else text


def answer(
    name: str, shape: type[BaseModel], said: dict[str, Any], pages: Iterable[Sequence[BaseModel]]
) -> StreamingResponse:
    """A report as a file; ``said`` (as_of, known_on, provisional) ends every row, since files lose their headers."""
    headers = file_headers(name, "csv", said["as_of"], CONTENT_TYPE)
    return StreamingResponse(lines(list(shape.model_fields), said, pages), headers=headers)


def file_headers(name: str, suffix: str, as_of: Any, content_type: str) -> dict[str, str]:
    """Headers of an answer that is a file, named after the moment that it tells of."""
    at = re.sub(r"[^0-9TZ]", "", str(as_of))
    disposition = f'attachment; filename="{name}-{at}.{suffix}"'
    return {"Content-Disposition": disposition, "Vary": "Accept", "Content-Type": content_type}


def lines(columns: list[str], said: dict[str, Any], pages: Iterable[Sequence[BaseModel]]) -> Iterator[str]:
    """The file in pieces, one a page; a page is asked for only when the one before it was taken."""
    yield _text([[*columns, *said]])
    for page in pages:
        dumped = (row.model_dump(mode="json") for row in page)
        yield _text([[*(row[column] for column in columns), *said.values()] for row in dumped])


def _text(rows: Iterable[Iterable[Any]]) -> str:
    # The dialect "excel" writes what RFC 4180 describes: CRLF, quotation marks doubled, quoted only where needed.
    written = io.StringIO(newline="")
    csv.writer(written, dialect="excel").writerows([harmless(cell) for cell in row] for row in rows)
    return written.getvalue()


def moments(as_of: datetime, known_on: datetime, provisional: bool) -> dict[str, Any]:
    """What every row ends with."""
    known = format_instant(known_on)
    return {"as_of": format_instant(as_of), "known_on": known, "provisional": "true" if provisional else "false"}
