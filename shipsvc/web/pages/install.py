"""The pages in the application: their routes, style and script, and errors as pages for whoever looks at pages."""

from collections.abc import Awaitable, Callable
from typing import Any, Final
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from fastapi.staticfiles import StaticFiles

from shipsvc.domain import errors
from shipsvc.web.errors import Problem, answer, answer_headers, faults_of, malformed, problem_of
from shipsvc.web.pages import (
    audit,
    cases,
    desk,
    door,
    entrance,
    holdings,
    label_acts,
    labels,
    language,
    loans,
    loans_out,
    papers,
    photographs,
    posting,
    receive,
    scan,
    send_readings,
    shipments,
    sources,
    split,
    tablet,
    things,
    told_facts,
    weigh,
)
from shipsvc.web.pages.rendering import NOBODY, STATIC, render

ROUTERS: Final = (
    audit.router,
    cases.router,
    desk.router,
    door.router,
    entrance.router,
    holdings.router,
    label_acts.router,
    labels.router,
    loans_out.router,
    loans.router,
    papers.router,
    photographs.router,
    posting.router,
    receive.router,
    scan.router,
    send_readings.router,
    shipments.router,
    sources.router,
    split.router,
    tablet.router,
    things.router,
    told_facts.router,
    weigh.router,
)
#: What is no page: the API and what stands beside it.
_NO_PAGES: Final = (
    "/v1/",
    "/oauth/",
    "/.well-known/",
    "/docs",
    "/openapi.json",
    "/static/",
    "/healthz",
    "/readyz",
    "/metrics",
)
Handler = Callable[[Request, Exception], Awaitable[Response]]


def install(app: FastAPI) -> None:
    """Add the pages to an application whose API and errors are installed."""
    for router in ROUTERS:
        app.router.routes.extend(router.routes)
    app.add_middleware(language.Languages)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    for kind in (errors.ShipsvcError, RequestValidationError):
        app.add_exception_handler(kind, _or_page(app.exception_handlers[kind]))


def _or_page(otherwise: Any) -> Handler:
    async def handle(request: Request, error: Exception) -> Response:
        if not _is_page(request):
            found: Response = await otherwise(request, error)
            return found
        if not _wants_html(request):
            headers = answer_headers(error) if isinstance(error, errors.ShipsvcError) else None
            return answer(language.told_problem(_problem(error)), headers)
        if isinstance(error, errors.NotSignedIn):
            query = f"?{request.url.query}" if request.url.query else ""
            here = f"{request.url.path}{query}" if request.method == "GET" else "/"
            return RedirectResponse(f"/sign-in?next={quote(here, safe='')}", 303)
        problem = _problem(error)
        return render("problem.html", NOBODY, status=problem.status, problem=problem)

    return handle


def _is_page(request: Request) -> bool:
    return not request.url.path.startswith(_NO_PAGES)


def _wants_html(request: Request) -> bool:
    """Whether a page is asked for, and no answer to a script of one."""
    return "text/html" in request.headers.get("accept", "")


def _problem(error: Exception) -> Problem:
    if isinstance(error, errors.ShipsvcError):
        return problem_of(error)
    assert isinstance(error, RequestValidationError)
    return malformed([*faults_of(list(error.errors()), skip=1)])
