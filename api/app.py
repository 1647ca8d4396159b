"""Puts the service together."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import cache
from importlib.metadata import version

from anyio import to_thread
from fastapi import APIRouter, FastAPI
from fastapi.middleware.gzip import GZipMiddleware
from fastapi.staticfiles import StaticFiles
from starlette.routing import BaseRoute
from starlette.types import ASGIApp

from wearvision_api import examples, problems
from wearvision_api.doors import Doors
from wearvision_api.draining import drained
from wearvision_api.headers import SecurityHeaders
from wearvision_api.house import House
from wearvision_api.metrics import Counts, Standing, Watch
from wearvision_api.overload import Overload
from wearvision_api.pages import accounts as account_pages
from wearvision_api.pages import (
    desk_many,
    home,
    offline,
    return_decisions,
    return_evidence,
    return_lists,
    teaching_agreement,
    teaching_doubts,
    teaching_models,
    teaching_practice,
    teaching_sets,
    teaching_trainings,
)
from wearvision_api.pages import figures as figure_pages
from wearvision_api.pages import grades as grade_pages
from wearvision_api.pages import inspections as inspection_pages
from wearvision_api.pages import labelling as labelling_pages
from wearvision_api.pages import machines as machine_pages
from wearvision_api.pages import returns as returns_pages
from wearvision_api.pages import start as start_pages
from wearvision_api.pages import teaching as teaching_pages
from wearvision_api.pages import trust as trust_pages
from wearvision_api.record.daily import daily
from wearvision_api.routes import (
    accounts,
    agreement,
    desk,
    doubts,
    figures,
    grades,
    health,
    inspections,
    knowledge,
    label_series,
    labels,
    machines,
    metrics,
    models,
    permissions,
    photos,
    practice,
    record,
    return_papers,
    returns,
    sets,
    starts,
    trust,
)
from wearvision_api.routes import examples as example_routes
from wearvision_api.secure import OnlySecure
from wearvision_api.settings import Settings
from wearvision_api.teaching.shadow import AfterAnswer
from wearvision_api.teaching.training_watch import Watch as TrainingWatch

SPARE_THREADS = 8
"""For health and metrics, which hold no place."""
DESCRIPTION = (
    "Grades wear of burner parts from a photo. The photo is a first look: a measurement wins over it; the equipment "
    "maker's manual, the local code and a licensed technician win over both."
)


@cache
def _routes() -> tuple[BaseRoute, ...]:
    """Those of every service of this process: to work out what each route takes costs about a second."""
    router = APIRouter(
        responses={
            "default": {
                "description": "A problem (RFC 9457)",
                "content": {problems.MEDIA_TYPE: {"schema": problems.PROBLEM_SCHEMA}},
            }
        }
    )
    for part in (
        desk,
        figures,
        record,
        returns,
        return_papers,
        photos,
        grades,
        machines,
        inspections,
        starts,
        knowledge,
        accounts,
        example_routes,
        label_series,
        labels,
        permissions,
        agreement,
        models,
        doubts,
        practice,
        sets,
        trust,
    ):
        router.include_router(part.router, prefix="/api/v1")
    router.include_router(health.router)
    router.include_router(metrics.router)
    for pages in (
        desk_many,  # before the page of one return, whose path would take its name for an id
        return_lists,
        returns_pages,
        return_evidence,
        return_decisions,
        figure_pages,
        teaching_pages,
        labelling_pages,
        teaching_agreement,
        teaching_models,
        teaching_trainings,
        teaching_sets,
        teaching_doubts,
        teaching_practice,
        trust_pages,
        home,
        offline,
        account_pages,
        grade_pages,
        start_pages,
        machine_pages,
        inspection_pages,
    ):
        router.include_router(pages.router)
    return tuple(router.routes)


class _Service(FastAPI):
    """Marks and watches every answer from outside, also those to errors that nobody foresaw."""

    def build_middleware_stack(self) -> ASGIApp:
        marked = SecurityHeaders(super().build_middleware_stack(), secure=self.state.secure)
        return Watch(marked, counts=self.state.counts)


def create_app(settings: Settings) -> FastAPI:
    """The service, not started yet; its lifespan opens the house and closes it after what is in flight."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        app.state.house = House.open(settings)
        try:
            house: House = app.state.house
            # A thread for each place: what waits for a store or for hands takes none from the others.
            to_thread.current_default_thread_limiter().total_tokens = settings.requests + SPARE_THREADS
            with (
                drained(app, settings.drain_s),
                daily(house),
                house.current.watched(),
                house.shadow.running(),
                TrainingWatch(house).running(),
            ):
                yield
        finally:
            app.state.house.close()

    app = _Service(
        title="wearvision",
        version=version("wearvision"),
        description=DESCRIPTION,
        lifespan=lifespan,
        routes=list(_routes()),
        openapi_url="/api/v1/openapi.json",
        docs_url=None,  # their pages load scripts from elsewhere
        redoc_url=None,
    )
    problems.install(app)
    app.state.problem_page = home.problem_page
    app.add_middleware(AfterAnswer)
    app.add_middleware(Doors, settings=settings)
    app.add_middleware(Overload, most=settings.requests)
    if settings.proxy:
        app.add_middleware(OnlySecure)
    app.state.counts = Counts()
    app.state.counts.registry.register(Standing(app))
    app.state.secure = settings.secure
    # Files only: a compressed page would tell the secret in it by its length (BREACH).
    app.mount("/static", GZipMiddleware(StaticFiles(directory=offline.STATIC), minimum_size=500), name="static")
    examples.install(app)
    return app
