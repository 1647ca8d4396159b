"""What the page of a return shows of the grade of its photos."""

from __future__ import annotations

from dataclasses import dataclass

from wearvision.parts import PARTS
from wearvision_api.house import House
from wearvision_api.pages.grade_contexts import (
    MeasureView,
    PictureView,
    VerdictView,
    measure_views,
    picture_views,
    verdict_view,
)
from wearvision_api.services.sheet import moment
from wearvision_api.store.return_tables import ReturnRow


@dataclass(frozen=True, slots=True)
class GradePart:
    """What the photos came to: address, verdict, its reason for doubt about the part, pictures, measures."""

    href: str
    verdict: VerdictView
    other_part: str
    refusal: str
    pictures: tuple[PictureView, ...]
    measures: tuple[MeasureView, ...]
    at: str


def grade_part(house: House, row: ReturnRow) -> GradePart | None:
    """The grade of a return's photos; None before there is one."""
    made = row.grade
    if made is None:
        return None
    spec = PARTS.get(made.part or "")
    other = spec is not None and made.part != row.part
    return GradePart(
        href=f"/grades/{made.id}",
        verdict=verdict_view(made),
        other_part=f"The photos show: {spec.title}. The claim is about: {PARTS[row.part].title}."
        if other and spec
        else "",
        refusal=str(made.report["refusal"] or ""),
        pictures=picture_views(made, spec),
        measures=measure_views(house, made),
        at=moment(made.created_at),
    )
