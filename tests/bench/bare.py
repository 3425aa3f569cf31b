"""The least that could answer: Starlette and the bare driver, one INSERT and its commit for each POST.

Run as a process of its own, with the same server, the same settings of it and the same durability.
"""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Final

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route

from tests.bench.bases import is_sqlite, raw

COLUMNS: Final = ("id", "kind", "subject", "happened_at", "body")
CREATE: Final = f"CREATE TABLE IF NOT EXISTS bare (id TEXT PRIMARY KEY, {', '.join(f'{c} TEXT' for c in COLUMNS[1:])})"


def application(url: str) -> Starlette:
    """POST / with a fact puts it into a table and says so."""
    kept: dict[str, Any] = {}
    insert = f"INSERT INTO bare VALUES ({', '.join(['?' if is_sqlite(url) else '%s'] * len(COLUMNS))})"

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        with raw(url) as connection:
            connection.execute(CREATE)
            connection.commit()
            kept["connection"] = connection
            yield

    # In the loop rather than in a thread: the quickest there is where one INSERT takes a fraction of a millisecond.
    async def tell(request: Request) -> JSONResponse:
        fact = (await request.json())["fact"]
        values = (fact["id"], fact["kind"], fact["subjects"][0], fact["time"]["raw"], str(fact["body"]))
        kept["connection"].execute(insert, values)
        kept["connection"].commit()
        return JSONResponse({"id": fact["id"], "status": "recorded"}, 201)

    return Starlette(routes=[Route("/v1/events", tell, methods=["POST"])], lifespan=lifespan)


def served() -> Starlette:
    """What the process runs."""
    return application(os.environ["SHIPSVC_DATABASE_URL"])


if __name__ == "__main__":
    uvicorn.run("tests.bench.bare:served", factory=True, port=0, loop="uvloop", http="httptools", access_log=False)
