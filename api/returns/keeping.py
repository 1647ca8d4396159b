"""What a decision keeps of the moment at which it is made, so that its papers stay the same whatever changes later."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from wearvision_api.house import House
from wearvision_api.returns.evidence import ASIDE
from wearvision_api.returns.weighing import Weighed
from wearvision_api.services.sheet import part_seen
from wearvision_api.store.return_tables import ReturnRow

GRADE = ("grade", "words", "standing", "remarks", "by")


def keep(house: House, row: ReturnRow, weighed: Weighed) -> dict[str, Any]:
    """What is kept as ``Decision.proposal``, of plain values.

    Returns:
        What was weighed, and besides: ``grade``, what the photos came to in the words of a sheet (``GRADE``; None
        where nothing was graded), ``basis``, model and limits of that grade, ``limits``, those it was weighed by,
        ``program``, this program's version, ``terms``, the site's own terms for an objection,
        ``looked_at``, how many photos and tests there were.
    """
    graded, basis = None, None
    if row.grade is not None:
        seen = part_seen(row.grade, house.grader.limits, house.checks)
        graded = {name: getattr(seen, name) for name in GRADE} | {"at": seen.at.isoformat()}
        basis = {kind: dict(row.grade.report[kind]) for kind in ("model", "limits")}
    limits = house.grader.limits
    return weighed.to_dict() | {
        "grade": graded,
        "basis": basis,
        "limits": {"id": limits.id, "sha256": limits.sha256},
        "program": version("wearvision"),
        "terms": {"objection_days": house.settings.objection_days},
        "looked_at": {
            "photos": sum(one.view != ASIDE for one in row.photos),
            "tests": len({one.check for one in row.readings}),
        },
    }
