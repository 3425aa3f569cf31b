"""Pages of a list: opaque cursors that say after which row to go on, and the Link header (RFC 8288).

A page goes on after a key, not at an offset, so that rows that come or go meanwhile neither repeat nor hide others.
A cursor is no secret and no permission: what may be seen is decided anew for every page.
"""

import base64
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final, Generic, TypeVar

from fastapi import Depends, Query
from fastapi.responses import Response
from starlette.requests import Request

from shipsvc.domain import errors
from shipsvc.web.schemas import WHOLE_MAX

LIMIT_DEFAULT: Final = 50
LIMIT_MAX: Final = 200
CURSOR_CHARACTERS_MAX: Final = 512
Part = str | int
Row = TypeVar("Row")


def encode(listing: str, *key: Part) -> str:
    """The cursor behind the row with this key in the listing of that name: unpadded base64url of JSON."""
    raw = json.dumps([listing, *key], separators=(",", ":")).encode()
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def decode(listing: str, cursor: str, *kinds: type[Part]) -> list[Part]:
    """The key in a cursor of that listing, its parts of these kinds; Malformed for any other text."""
    name, *key = _parts(cursor)
    if name != listing or [type(part) for part in key] != list(kinds) or not all(map(_storable, key)):
        raise errors.Malformed(why="this is not a cursor of this list. Take it from the answer.", pointer="/cursor")
    return key


def _parts(cursor: str) -> list[Any]:
    try:
        found = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
    except (ValueError, RecursionError):
        found = None
    return found if isinstance(found, list) and found else [None]


def _storable(part: Part) -> bool:
    """Whether both databases take it: no NUL and no half surrogate pair in a text, 64 bits of a number."""
    if isinstance(part, int):
        return -(2**63) <= part < 2**63
    return "\x00" not in part and part.isprintable()


@dataclass(frozen=True)
class Asked:
    """Which page is asked for: at most ``limit`` rows, from ``cursor`` on (the beginning if None)."""

    limit: int
    cursor: str | None
    request: Request

    def after(self, listing: str, *kinds: type[Part]) -> list[Part] | None:
        """The key of the row that the page follows, or None for the first page; Malformed."""
        return None if self.cursor is None else decode(listing, self.cursor, *kinds)


@dataclass(frozen=True)
class Page(Generic[Row]):
    """Rows of one page, and the cursor of the next one if there is one."""

    rows: Sequence[Row]
    next: str | None


async def _asked(
    request: Request,
    limit: Annotated[
        int, Query(ge=1, le=LIMIT_MAX, description="How many to answer at most", examples=[LIMIT_DEFAULT])
    ] = LIMIT_DEFAULT,
    cursor: Annotated[
        str | None,
        Query(
            max_length=CURSOR_CHARACTERS_MAX,
            pattern=r"^[A-Za-z0-9_-]+$",
            description='Where to go on: "next" of the page before. Opaque; leave it out for the first page.',
        ),
    ] = None,
) -> Asked:
    return Asked(limit, cursor, request)


AskedDep = Annotated[Asked, Depends(_asked)]


def cut(rows: Sequence[Row], limit: int, listing: str, key: Callable[[Row], tuple[Part, ...]]) -> Page[Row]:
    """A page of rows that were read one beyond ``limit``, to see whether more follow."""
    kept = rows[:limit]
    return Page(kept, encode(listing, *key(kept[-1])) if len(rows) > limit else None)


def link(response: Response, asked: Asked, page: Page[Row]) -> None:
    """Add ``Link: <...>; rel="next"`` with the address of the next page, all other parameters as they were.

    The address is relative, since what clients call this host is theirs to know (RFC 8288 section 3.1).
    """
    if page.next is not None:
        url = asked.request.url.include_query_params(cursor=page.next)
        response.headers["Link"] = f'<{url.path}?{url.query}>; rel="next"'


def whole(part: Part) -> int:
    """A part of a key that stands for a 32-bit column; Malformed where it cannot."""
    if not isinstance(part, int) or not 0 <= part <= WHOLE_MAX:
        raise errors.Malformed(why="this is not a cursor of this list. Take it from the answer.", pointer="/cursor")
    return part
