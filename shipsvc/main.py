"""Wiring: settings in, application out. Nothing happens at import."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

import anyio.to_thread
from fastapi import FastAPI
from starlette.types import ASGIApp

from shipsvc import __version__
from shipsvc.config import Settings
from shipsvc.domain.facts import DECISIONS, FACTS
from shipsvc.store.engine import open_database
from shipsvc.web import (
    api_alarms,
    api_allowances,
    api_budget_checks,
    api_cases,
    api_comparing,
    api_conditions,
    api_directory,
    api_documents,
    api_events,
    api_exports,
    api_files,
    api_identity,
    api_institutions,
    api_items,
    api_label_sheets,
    api_labels,
    api_loans,
    api_mass,
    api_numbers,
    api_operation,
    api_profiles,
    api_readings,
    api_reports,
    api_reports_mass,
    api_requests,
    api_reserve,
    api_restrictions,
    api_sections,
    api_series,
    api_sheets,
    api_shipments,
    api_sources,
    api_streams,
    errors,
    openapi,
)
from shipsvc.web.bodies import BodyLimit
from shipsvc.web.deps import Service
from shipsvc.web.keys import Keys
from shipsvc.web.logs import RequestContext
from shipsvc.web.metrics import Metrics, make_metrics
from shipsvc.web.multipart import FORM_BYTES
from shipsvc.web.pages import install as pages
from shipsvc.web.tokens import require_cryptography_backend

ROUTERS = (
    api_budget_checks.router,
    api_alarms.router,
    api_cases.router,
    api_comparing.router,
    api_conditions.router,
    api_directory.router,
    api_documents.router,
    api_allowances.router,
    api_events.router,
    api_exports.router,
    api_files.router,
    api_identity.router,
    api_institutions.router,
    api_items.router,
    api_label_sheets.router,  # before labels, whose path with a code would take its own
    api_labels.router,
    api_loans.router,
    api_mass.router,
    api_numbers.router,
    api_operation.router,
    api_profiles.router,
    api_readings.router,
    api_reports.router,
    api_restrictions.router,
    api_reports_mass.router,
    api_requests.router,
    api_reserve.router,
    api_sections.router,
    api_sheets.router,
    api_shipments.router,
    api_series.router,
    api_sources.router,
    api_streams.router,
)


class Application(FastAPI):
    """The framework's application, each of whose requests has an id and a line in the log, whatever becomes of it.

    What ``add_middleware`` adds stands inside the framework's own handling of errors that nobody foresaw: their
    answers would go out without an id.
    """

    def __init__(self, *, metrics: Metrics, **described: Any) -> None:
        self.metrics = metrics
        super().__init__(**described)

    def build_middleware_stack(self) -> ASGIApp:
        """All that the framework builds, inside the request's context."""
        return RequestContext(super().build_middleware_stack(), metrics=self.metrics)


def create_app(settings: Settings, clock: Callable[[], datetime] | None = None) -> FastAPI:
    """The service as an ASGI application. ``clock`` is given by tests and the demo only."""
    require_cryptography_backend()
    database = open_database(settings.database_url, threads=settings.threads, wait_s=settings.wait_s)
    pool = database.engine.pool
    metrics = make_metrics(kinds=FACTS | set(DECISIONS), pool_in_use=lambda: float(getattr(pool, "checkedout", int)()))
    service = Service(
        settings, database, metrics, keys=lambda: keys.ring(), clock=clock, keys_at_hand=lambda: keys.at_hand()
    )
    keys = Keys(service)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        # More threads than connections would only wait for one another (stack: QueuePool time-outs).
        anyio.to_thread.current_default_thread_limiter().total_tokens = settings.threads
        yield
        # The server calls this when the last request is answered, or its patience is over; what is still in a
        # thread ends its transaction on a connection that is then thrown away.
        database.engine.dispose()

    app = Application(
        metrics=metrics, title="shipsvc", version=__version__, lifespan=lifespan, description=openapi.DESCRIPTION
    )
    app.state.service = service
    for router in ROUTERS:
        # As they are: what ``include_router`` makes of each anew takes the first request most of a second.
        app.router.routes.extend(router.routes)
    errors.install(app)
    openapi.install(app)
    pages.install(app)
    others = {api_files.UPLOADS: settings.file_bytes_max + FORM_BYTES}
    alike = {api_readings.UPLOADS: settings.readings_bytes_max}
    app.add_middleware(BodyLimit, limit_bytes=settings.body_bytes_max, others=others, alike=alike)
    return app
