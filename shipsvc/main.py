"""Wiring: settings in, application out. Nothing happens at import."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime

import anyio.to_thread
from fastapi import FastAPI

from shipsvc import __version__
from shipsvc.config import Settings
from shipsvc.domain.facts import DECISIONS, FACTS
from shipsvc.store.engine import open_database
from shipsvc.web import api_documents, api_events, api_identity, api_operation, errors, openapi
from shipsvc.web.bodies import BodyLimit
from shipsvc.web.deps import Service
from shipsvc.web.keys import Keys
from shipsvc.web.logs import RequestContext
from shipsvc.web.metrics import make_metrics
from shipsvc.web.tokens import require_cryptography_backend

ROUTERS = (api_identity.router, api_documents.router, api_events.router, api_operation.router)


def create_app(settings: Settings, clock: Callable[[], datetime] | None = None) -> FastAPI:
    """The service as an ASGI application. ``clock`` is given by tests and the demo only."""
    require_cryptography_backend()
    database = open_database(settings.database_url, threads=settings.threads)
    pool = database.engine.pool
    metrics = make_metrics(kinds=FACTS | set(DECISIONS), pool_in_use=lambda: float(getattr(pool, "checkedout", int)()))
    service = Service(settings, database, metrics, keys=lambda: keys.ring(), clock=clock)
    keys = Keys(service)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        # More threads than connections would only wait for one another (stack: QueuePool time-outs).
        anyio.to_thread.current_default_thread_limiter().total_tokens = settings.threads
        yield
        database.engine.dispose()

    app = FastAPI(title="shipsvc", version=__version__, lifespan=lifespan, description=openapi.DESCRIPTION)
    app.state.service = service
    for router in ROUTERS:
        app.include_router(router)
    errors.install(app)
    openapi.install(app)
    app.add_middleware(BodyLimit, limit_bytes=settings.body_bytes_max)
    app.add_middleware(RequestContext, metrics=metrics)
    return app
