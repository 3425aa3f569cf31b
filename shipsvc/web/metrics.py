"""What a monitoring system scrapes: counts and durations, in the Prometheus text format.

A registry belongs to one application and is made with it, never at import, so that two applications in one
process (and every test) count on their own. Labels come from short fixed lists: each new value of a
label is a new series for ever, and a stranger must not be able to make one.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest

METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
OTHER: Final = "other"
#: Upper bounds in seconds; a write is meant to answer in milliseconds, a report in under a second.
DURATION_BUCKETS_S: Final = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
CONTENT_TYPE: Final = CONTENT_TYPE_LATEST


@dataclass(frozen=True)
class Metrics:
    """The instruments of one application, and the registry they belong to."""

    registry: CollectorRegistry
    kinds: frozenset[str]
    requests: Counter
    durations_s: Histogram
    facts: Counter

    def request(self, method: str, route: str, status: int, duration_s: float) -> None:
        """Count one answered request; ``route`` is the template of the route, never the path."""
        known = known_method(method)
        self.requests.labels(known, route, str(status)).inc()
        self.durations_s.labels(known, route).observe(duration_s)

    def fact_told(self, kind: str, outcome: str) -> None:
        """Count one fact by its kind ("other" if it is not on the list) and what became of it."""
        self.facts.labels(kind if kind in self.kinds else OTHER, outcome).inc()

    def exposition(self) -> bytes:
        """All counts as they stand, to be sent as ``CONTENT_TYPE``."""
        return generate_latest(self.registry)


def make_metrics(*, kinds: Collection[str], pool_in_use: Callable[[], float] | None = None) -> Metrics:
    """Instruments on a registry of their own.

    ``kinds`` are the kinds of facts that get a series each; ``pool_in_use`` says, when asked at each
    scrape, how many database connections are taken.
    """
    registry = CollectorRegistry()
    if pool_in_use is not None:
        gauge = Gauge("shipsvc_database_connections_in_use", "Connections taken from the pool.", registry=registry)
        gauge.set_function(pool_in_use)
    return Metrics(
        registry,
        frozenset(kinds),
        Counter("shipsvc_requests", "Requests answered.", ["method", "route", "status"], registry=registry),
        Histogram(
            "shipsvc_request_duration_seconds",
            "Time from the first byte of a request to the last of its answer.",
            ["method", "route"],
            registry=registry,
            buckets=DURATION_BUCKETS_S,
        ),
        Counter("shipsvc_facts_told", "Facts told through the one door.", ["kind", "outcome"], registry=registry),
    )


def known_method(method: str) -> str:
    """The method if HTTP defines it for resources such as ours, else "other": clients may send any word."""
    return method if method in METHODS else OTHER
