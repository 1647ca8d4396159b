"""Pages of data sets: frozen, looked at, handed on; labelled folders and heaps of photos taken in."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, File, Form, Path, Request, Response, UploadFile
from fastapi.responses import RedirectResponse

from wearvision.errors import WearvisionError
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.set_contexts import set_context, sets_context, taken_context
from wearvision_api.pages.view import show
from wearvision_api.problems import problem_of
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.routes.set_schemas import SetCreate
from wearvision_api.routes.sets import choice_of, folder_in
from wearvision_api.teaching import opinions, sets
from wearvision_api.teaching.heaps import Archive
from wearvision_api.teaching.take_examples import take_in

router = APIRouter(include_in_schema=False)
SetId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Some = Annotated[list[str], Form()]
Reader = Annotated[Caller, needs("teaching:read")]
Teacher = Annotated[Caller, needs("teaching:write")]
Zip = Annotated[UploadFile, File()]


@router.get("/teaching/sets")
def listed(request: Request, session: SessionDep, who: Reader) -> Response:
    """All data sets, and the forms that make one."""
    return show(request, who, "teaching_sets.html", sets_context(session, who))


@router.post("/teaching/sets")
def freeze(
    house: HouseDep,
    session: SessionDep,
    who: Teacher,
    parts: Some = [],  # noqa: B006  # read only
    sources: Some = [],  # noqa: B006
    name: Field = "",
    note: Field = "",
    least: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Freezes a set."""
    body = read(
        SetCreate,
        {"name": name, "note": note, "parts": parts or "", "sources": sources or "", "least": least},
    )

    def make() -> str:
        return sets.freeze(house, session, who, body.name, body.note, choice_of(body)).id

    return seen(f"/teaching/sets/{once(session, who, fresh, '/teaching/sets', body, make)}")


@router.post("/teaching/sets/folders")
def take_folder(
    request: Request,
    house: HouseDep,
    later: BackgroundTasks,
    who: Teacher,
    file: Zip,
    ground: Field = "",
    name: Field = "",
    kind: Field = "set",
) -> Response:
    """Takes a labelled folder in."""
    try:
        made, taken = folder_in(house, who, file.file, ground, name, as_examples=kind == "examples")
    except WearvisionError as error:
        raise problem_of(error) from error
    if made is not None:
        return seen(f"/teaching/sets/{made.id}")
    later.add_task(opinions.fill, house)
    context = taken_context("Labelled folder taken in", taken or (), ("/teaching/sets", "Data sets"))
    return show(request, who, "teaching_taken.html", context)


@router.get("/teaching/sets/{set_id}")
def shown(request: Request, session: SessionDep, set_id: SetId, who: Reader) -> Response:
    """One data set."""
    return show(request, who, "teaching_set.html", set_context(session, sets.find(session, set_id)))


@router.post("/teaching/heaps")
def take_heap(
    request: Request,
    house: HouseDep,
    later: BackgroundTasks,
    who: Teacher,
    file: Zip,
    ground: Field = "",
    machines: Field = "",
) -> Response:
    """Takes the photos of a zip archive in as examples."""
    try:
        heap = Archive(file.file, file.filename or "")
        taken = tuple(take_in(house, who, heap, ground, machine_from_folder=machines == "yes", look=False))
    except WearvisionError as error:
        raise problem_of(error) from error
    later.add_task(opinions.fill, house)
    context = taken_context("Photos taken in", taken, ("/teaching/examples", "Examples"))
    return show(request, who, "teaching_taken.html", context)
