"""Pages of grades: the form, a grade with its hand checks, and what follows it. All work without JavaScript."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from hashlib import sha256
from typing import Annotated, get_args

from fastapi import APIRouter, File, Form, Path, Query, Request, Response, UploadFile
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from wearvision.errors import ReadingError
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.pages import units
from wearvision_api.pages.check_contexts import Mistake
from wearvision_api.pages.contexts import GradesContext, form_context, grade_line
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.grade_contexts import grade_context
from wearvision_api.pages.teach_view import teach_view
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import (
    UUID_FORM,
    Cursor,
    GradeCreate,
    OutcomeUpdate,
    OverrideUpdate,
    PartName,
    Purpose,
    ReadingCreate,
)
from wearvision_api.services import grading, inspecting, machines, photos
from wearvision_api.store.once import Once
from wearvision_api.store.paging import page
from wearvision_api.store.tables import GradeRow

router = APIRouter(include_in_schema=False)
GradeId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Files = Annotated[list[UploadFile], File(default_factory=list)]
Reader = Annotated[Caller, needs("grades:read")]
Writer = Annotated[Caller, needs("grades:write")]
PARTS = get_args(PartName)


@router.get("/grade")
def form(
    request: Request,
    session: SessionDep,
    who: Writer,
    part: str = "",
    inspection: Annotated[str, Query(max_length=36)] = "",
    beside: bool = False,
) -> Response:
    """Asks for photos of one part."""
    return show(request, who, "grade_form.html", form_context(session, who, part, inspection, beside=beside))


@router.post("/grade")
def create(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Writer,
    file: Files,
    reference_file: Annotated[UploadFile | None, File()] = None,
    part: Field = "",
    purpose: Annotated[Purpose, Form()] = "as-removed",
    inspection: Field = "",
    id: Field = "",
) -> Response:
    """Keeps the photos, grades them, and shows the grade."""
    shots = _bytes(house, file)
    if not shots:
        context = form_context(session, who, part, inspection, beside=False, fault="Take or choose a photo first.")
        return show(request, who, "grade_form.html", context, 422)
    known = _bytes(house, [reference_file] if reference_file else [])

    stored, installed = ([photos.store(house, data) for data in group] for group in (shots, known))

    def make() -> GradeRow:
        rows = [photos.record_once(session, who, one, purpose, id, place) for place, one in enumerate(stored)]
        beside = [photos.record_once(session, who, one, "as-installed", id, -1) for one in installed]
        fields = {"photos": [row.id for row in rows], "part": part, "inspection": inspection, "id": id}
        body = read(GradeCreate, fields | {"reference": beside[0].id if beside else ""})
        return grading.create(house, session, who, _asked(body))

    return seen(f"/grades/{_once(session, who, id, '/grade', shots, make)}")


@router.get("/grades")
def listed(request: Request, session: SessionDep, who: Reader, cursor: Cursor = "") -> Response:
    """Grades, newest first."""
    rows, following = page(session, grading.visible(who), GradeRow, cursor, 30)
    return show(request, who, "grades.html", GradesContext(tuple(map(grade_line, rows)), following or ""))


@router.get("/grades/{grade_id}")
def show_one(request: Request, house: HouseDep, session: SessionDep, grade_id: GradeId, who: Reader) -> Response:
    """One grade."""
    return _page(request, house, session, who, grading.find(session, who, grade_id))


@router.post("/grades/{grade_id}/readings")
def add_reading(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    grade_id: GradeId,
    who: Writer,
    check: Field,
    value: Field = "",
    unit: Field = "",
    word: Field = "",
    flashes: Field = "",
    fresh: Field = "",
) -> Response:
    """Takes a reading: a number with its unit, a word, or flashes."""
    value = value.strip()
    number = value.replace(",", ".") if value[:1].isdigit() else value
    entered = word or (f"{flashes} flashes" if flashes else number)
    own = "" if word or flashes else unit
    try:
        if not entered:
            raise ReadingError("Enter what you read.")
        body = read(ReadingCreate, {"check": check, "value": entered, "unit": own})

        def make() -> str:
            row = grading.find(session, who, grade_id)
            grading.add_reading(house, session, who, row, check, body.value, body.unit, None)
            return check

        once(session, who, fresh, f"/grades/{grade_id}/readings", body, make)
    except (ReadingError, Problem) as error:
        if isinstance(error, Problem) and error.code != "invalid":
            raise
        session.rollback()
        mistake = Mistake(check, value, unit, str(error).removeprefix(f"{check}: "))
        return _page(request, house, session, who, grading.find(session, who, grade_id), mistake)
    return seen(f"/grades/{grade_id}#check-{check}")


@router.post("/grades/{grade_id}/photos")
def add_photo(
    house: HouseDep, session: SessionDep, grade_id: GradeId, who: Writer, file: Files, fresh: Field = ""
) -> RedirectResponse:
    """Grades the part anew from its photos and one or more further ones; readings come along."""
    row = grading.find(session, who, grade_id)
    shots = _bytes(house, file)
    if not shots:
        raise Problem("invalid", "Take or choose a photo first.")
    before = tuple(one.photo_id for one in row.photos)
    if len(before) + len(shots) > grading.MOST_PHOTOS:
        raise Problem("invalid", f"A part is graded from {grading.MOST_PHOTOS} photos at most; begin a new grade.")

    session.commit()  # lets other writers in while the photos are read and brought to disk
    stored = [photos.store(house, data) for data in shots]

    def make() -> GradeRow:
        rows = [photos.record_once(session, who, one, "as-removed", fresh, place) for place, one in enumerate(stored)]
        added = tuple(row.id for row in rows)
        asked = grading.Asked((*before, *added), row.part, row.reference_id, row.inspection_id)
        return _with_readings(house, session, who, row, grading.create(house, session, who, asked))

    return seen(f"/grades/{_once(session, who, fresh, f'/grades/{grade_id}/photos', shots, make)}")


@router.post("/grades/{grade_id}/again")
def grade_again(
    house: HouseDep, session: SessionDep, grade_id: GradeId, who: Writer, part: Field = "", fresh: Field = ""
) -> RedirectResponse:
    """Grades the same photos as another part than the one recognised."""
    row = grading.find(session, who, grade_id)
    if part not in PARTS:
        raise Problem("invalid", "Say which part it is.")
    asked = grading.Asked(tuple(one.photo_id for one in row.photos), part, None, row.inspection_id)
    target = f"/grades/{grade_id}/again"
    made = _once(session, who, fresh, target, [part.encode()], lambda: grading.create(house, session, who, asked))
    return seen(f"/grades/{made}")


@router.post("/grades/{grade_id}/wiping")
def wiping(house: HouseDep, session: SessionDep, grade_id: GradeId, who: Writer, file: Files) -> RedirectResponse:
    """Takes the photo after wiping and tells film from clouding."""
    shots = _bytes(house, file)
    if not shots:
        raise Problem("invalid", "Take or choose the photo after wiping first.")
    row = grading.find(session, who, grade_id)
    after = photos.take(house, session, who, shots[0], "after-wiping")
    grading.wipe(house, session, who, row, after.id)
    session.commit()
    return seen(f"/grades/{grade_id}#wiping")


@router.post("/grades/{grade_id}/override")
def override(
    session: SessionDep, grade_id: GradeId, who: Writer, grade: Field = "", reason: Field = ""
) -> RedirectResponse:
    """Grades by eye, with the reason."""
    body = read(OverrideUpdate, {"grade": grade, "reason": reason})
    grading.override(session, who, grading.find(session, who, grade_id), body.grade, body.reason)
    session.commit()
    return seen(f"/grades/{grade_id}#headline")


@router.post("/grades/{grade_id}/override/back")
def take_back_override(session: SessionDep, grade_id: GradeId, who: Writer) -> RedirectResponse:
    """Takes the grade by eye back."""
    grading.take_back_override(session, who, grading.find(session, who, grade_id))
    session.commit()
    return seen(f"/grades/{grade_id}#headline")


@router.post("/grades/{grade_id}/outcome")
def outcome(
    session: SessionDep, grade_id: GradeId, who: Writer, done: Field = "", note: Field = ""
) -> RedirectResponse:
    """Records what was done, apart from the grade."""
    body = read(OutcomeUpdate, {"done": done, "note": note})
    grading.outcome(session, who, grading.find(session, who, grade_id), body.done, body.note)
    session.commit()
    return seen(f"/grades/{grade_id}#done")


@router.post("/grades/{grade_id}/reference")
def keep_reference(
    house: HouseDep,
    session: SessionDep,
    grade_id: GradeId,
    who: Annotated[Caller, needs("machines:write")],
    file: Files,
) -> RedirectResponse:
    """Keeps a photo of the part as installed, or else the first photo of this grade."""
    row = grading.find(session, who, grade_id)
    if row.inspection_id is None or row.part is None:
        raise Problem("conflict", "Only a recognised part at a visit to a machine can be kept as its reference.")
    shots = _bytes(house, file)
    kept = photos.take(house, session, who, shots[0], "as-installed").id if shots else row.photos[0].photo_id
    visit = inspecting.find(session, row.inspection_id)
    machines.keep_reference(session, who, machines.find(session, visit.machine_id, to_change=True), row.part, kept)
    session.commit()
    return seen(f"/machines/{visit.machine_id}#installed")


def _page(
    request: Request, house: House, session: Session, who: Caller, row: GradeRow, mistake: Mistake | None = None
) -> Response:
    after = session.get(GradeRow, row.after_id) if row.after_id else None
    context = grade_context(house, row, after, who, units.chosen(request), mistake, teach_view(session, who, row))
    return show(request, who, "grade.html", context, 422 if mistake else 200)


def _bytes(house: House, files: Sequence[UploadFile]) -> list[bytes]:
    """What was uploaded; a field left empty comes as a file without name and bytes."""
    received = (photos.received(house, one.file) for one in files)
    return [data for data in received if data]


def _once(
    session: Session, who: Caller, fresh: str, target: str, sent: Sequence[bytes], make: Callable[[], GradeRow]
) -> str:
    """Grades once for each form shown, however often its button is pressed; gives the grade's id."""
    kept = Once(session, who.id, f"form {fresh}" if fresh else "", f"POST {target}")
    material = " ".join(sha256(one).hexdigest() for one in sent)
    return str(kept.reply(material, lambda: {"id": make().id}).body["id"])


def _asked(body: GradeCreate) -> grading.Asked:
    return grading.Asked(tuple(body.photos), body.part, body.reference, body.inspection, body.id)


def _with_readings(house: House, session: Session, who: Caller, old: GradeRow, new: GradeRow) -> GradeRow:
    """Takes the newest reading of each check along to a part's next grade."""
    newest = {one.check: one.value for one in old.readings}
    for check, kept in newest.items():
        if new.part == old.part:
            grading.add_reading(house, session, who, new, check, kept["value"], kept["unit"], None)
    return new
