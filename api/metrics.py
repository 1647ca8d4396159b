"""Watches requests: one log line and one count each, by route template; ``/metrics`` in Prometheus' text form."""

from __future__ import annotations

import re
import shutil
import time
import uuid
from collections.abc import Iterable, Iterator
from importlib.metadata import version
from pathlib import Path

from fastapi import FastAPI
from fsspec.implementations.local import LocalFileSystem
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import func, select
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from structlog.contextvars import bind_contextvars

from wearvision_api.house import House
from wearvision_api.logs import logger
from wearvision_api.store.tables import GradeRow, PhotoRow

LOG = logger(__name__)
UNKNOWN = "unknown"
"""Stands for every address that no route answers, so that strangers cannot make series without end."""
BUCKETS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
_REQUEST_ID = re.compile(r"[A-Za-z0-9-]{8,64}")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


class Counts:
    """What is counted of requests; made with the app, apart from other apps in the process.

    Attributes:
        registry: All of it, for ``/metrics``.
    """

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "wearvision_requests", "Requests answered.", ("method", "route", "status"), registry=self.registry
        )
        self.seconds = Histogram(
            "wearvision_request_seconds",
            "Time from a request's head to the end of its answer.",
            ("method", "route"),
            buckets=BUCKETS_S,
            registry=self.registry,
        )
        self.refused = Counter(
            "wearvision_refused", "Requests turned away because all places were taken.", registry=self.registry
        )
        self.inside = Gauge("wearvision_requests_inside", "Requests in flight.", registry=self.registry)


class Standing(Collector):
    """What is read at the moment of asking: work, records, space.

    Args:
        app: Its state holds the open house.
    """

    def __init__(self, app: FastAPI) -> None:
        self.app = app

    def describe(self) -> Iterable[Metric]:
        """Nothing ahead: the house is not open yet when this is registered."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """The values of this moment."""
        house: House = self.app.state.house
        info = GaugeMetricFamily("wearvision_version", "Program and model, as labels.", labels=("program", "model"))
        info.add_metric((version("wearvision"), str(house.grader.model_id)), 1)
        yield info
        wrong = GaugeMetricFamily(
            "wearvision_model_not_loaded", "1 where a model is wanted and cannot be loaded here.", labels=("kind",)
        )
        for kind in ("use", "shadow"):
            wrong.add_metric((kind,), float(kind in house.current.faults))
        yield wrong
        shadow = CounterMetricFamily("wearvision_shadow_grades", "Grades of the model in the shadow.", labels=("end",))
        for end in ("graded", "dropped", "failed"):
            shadow.add_metric((end,), float(getattr(house.shadow, end)))
        yield shadow
        yield GaugeMetricFamily("wearvision_gradings_inside", "Gradings that run or wait.", value=house.work.inside)
        with house.session(writes=False) as session:
            photos, size = session.execute(select(func.count(), func.coalesce(func.sum(PhotoRow.bytes), 0))).one()
            grades = session.scalar(select(func.count(GradeRow.id)))
        yield GaugeMetricFamily("wearvision_photos", "Photos recorded.", value=photos)
        yield GaugeMetricFamily("wearvision_photo_bytes", "Bytes of photos recorded, as uploaded.", value=float(size))
        yield GaugeMetricFamily("wearvision_grades", "Grades recorded.", value=grades or 0)
        if isinstance(house.blobs.system, LocalFileSystem):
            free = shutil.disk_usage(Path(house.blobs.root)).free
            yield GaugeMetricFamily("wearvision_disk_free_bytes", "Free space where photos lie.", value=free)


class Watch:
    """ASGI middleware that counts and logs each request.

    Args:
        app: What answers.
        counts: Where it is counted.
    """

    def __init__(self, app: ASGIApp, *, counts: Counts) -> None:
        self.app, self.counts = app, counts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        given = Headers(scope=scope).get("x-request-id", "")
        request_id = given if _REQUEST_ID.fullmatch(given) else str(uuid.uuid4())
        bind_contextvars(request=request_id)  # the server gives every request a context of its own
        begun, status, code = time.perf_counter(), 500, ""

        async def noted(message: Message) -> None:
            nonlocal status, code
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                headers["X-Request-Id"] = request_id
                code = headers.get("retry-after", "")
            await send(message)

        self.counts.inside.inc()
        try:
            await self.app(scope, receive, noted)
        finally:
            self.counts.inside.dec()
            seconds, route = time.perf_counter() - begun, template(scope)
            method = scope["method"] if scope["method"] in _METHODS else UNKNOWN
            self.counts.requests.labels(method, route, str(status)).inc()
            self.counts.seconds.labels(method, route).observe(seconds)
            if status == 503 and code:
                self.counts.refused.inc()
            LOG.info("answered", method=method, route=route, status=status, ms=round(1000 * seconds, 1))


def template(scope: Scope) -> str:
    """The route that answered, as it is written: no ids, no query. ``unknown`` where none did."""
    path, form = str(scope["path"]), str(getattr(scope.get("route"), "path_format", ""))
    if not form:
        return "/static" if path.startswith("/static/") and scope.get("endpoint") else UNKNOWN
    # A route inside a router knows its own end of the path only; what comes before has no parameters.
    parts, end = path.split("/"), form.split("/")
    return "/".join(parts[: len(parts) - len(end) + 1]) + form
