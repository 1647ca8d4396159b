"""``/standard/labels``: what is asked of which part and view, in the standard's words."""

from __future__ import annotations

from fastapi import APIRouter

from wearvision.faults import ADVICE
from wearvision.labels.label import asked
from wearvision.parts import PARTS, Mark
from wearvision.standard.definitions import load_definitions, where_grades_begin
from wearvision.standard.limits import Limits
from wearvision_api.deps import CallerDep, HouseDep
from wearvision_api.routes.example_schemas import AskedOfAll, AskedPublic, MarkAsked, ModeAsked

router = APIRouter(tags=["knowledge"])


@router.get("/standard/labels", response_model=AskedOfAll, summary="What a label can say")
def asked_of_all(house: HouseDep, who: CallerDep) -> AskedOfAll:
    """Modes with their grades and words, marks, regions and matches, for every view of every part."""
    views = [_asked(house.grader.limits, part, view) for part, spec in PARTS.items() for view in spec.views]
    return AskedOfAll(views=views, faults={str(kind): _plain(text) for kind, text in ADVICE.items()})


def _plain(text: str) -> str:
    """Advice without the values of a photo."""
    head, _, tail = text.partition(": ")
    return tail[:1].upper() + tail[1:] if "{" in head else text


def _asked(limits: Limits, part: str, view: str) -> AskedPublic:
    found, words = asked(part, view, limits), load_definitions()
    return AskedPublic(
        part=part,
        view=view,
        modes=[
            ModeAsked(
                key=mode.key,
                measure=mode.measure,
                title=mode.title,
                grades=list(grades),
                begins={str(at): text for at, text in where_grades_begin(limits.row(part, mode.measure)).items()},
                what=words[part, mode.measure].what,
                look=words[part, mode.measure].look,
                permanent=mode.permanent,
                region=mode.region,
            )
            for mode, grades in found.modes
        ],
        marks=[_mark(one) for one in found.marks],
        regions=[_mark(one) for one in found.regions],
        matches=list(found.matches),
        by_hand={measure: list(keys) for measure, keys in found.by_hand.items()},
    )


def _mark(mark: Mark) -> MarkAsked:
    return MarkAsked(key=mark.key, title=mark.title, shape=mark.shape, points=mark.points)
