"""For those who run the service: is the process alive, can it work, how much does it do."""

from typing import Literal

from fastapi import APIRouter, Response
from pydantic import ConfigDict, Field

from shipsvc.app import readiness
from shipsvc.web.deps import ServiceDep
from shipsvc.web.metrics import CONTENT_TYPE
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import Strict

router = APIRouter(tags=["operation"])


class Alive(Strict):
    """The process answers."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"status": "alive"}]})
    status: Literal["alive"] = Field(description="Always the same", examples=["alive"])


class Ready(Strict):
    """The process can work."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"status": "ready", "schema_revision": "0001"}]})
    status: Literal["ready"] = Field(description="Always the same", examples=["ready"])
    schema_revision: str = Field(description="Which schema the database has", examples=["0001"])


@router.get("/healthz", operation_id="is_alive", summary="Is the process alive?")
async def is_alive() -> Alive:
    """Answers as long as the process does; asks nothing of the database, so that a restart is not its cure."""
    return Alive(status="alive")


@router.get("/readyz", operation_id="is_ready", summary="Can the process work?", responses=problems(503))
def is_ready(service: ServiceDep) -> Ready:
    """Ready when the database answers and has the schema of this version; else a 503 problem that says which."""
    return Ready(status="ready", schema_revision=readiness.require_ready(service.database))


METRICS_EXAMPLE = """# HELP shipsvc_requests_total Requests answered.
# TYPE shipsvc_requests_total counter
shipsvc_requests_total{method="POST",route="/v1/events",status="201"} 12.0
"""


@router.get(
    "/metrics",
    operation_id="metrics",
    summary="Counts and durations",
    response_class=Response,
    responses={
        200: {
            "description": "Prometheus text format",
            "content": {"text/plain": {"schema": {"type": "string"}, "example": METRICS_EXAMPLE}},
        }
    },
)
def metrics(service: ServiceDep) -> Response:
    """All counts of this process, for a monitoring system to scrape. It holds no names, numbers or addresses."""
    return Response(service.metrics.exposition(), media_type=CONTENT_TYPE)
