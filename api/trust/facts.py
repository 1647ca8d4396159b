"""What rates and drift are counted by, taken from a report once and kept beside the asked check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wearvision.confirm import confirm
from wearvision.standard.checks import Checks
from wearvision.standard.grades import GRADES

INPUTS = ("softness", "brightness", "clipped", "size_px", "energy", "none")
"""Numbers of ``wearvision.inputs.Inputs`` that are watched."""


def facts(report: Mapping[str, Any], checks: Checks) -> dict[str, Any]:
    """The facts of a grade.

    Args:
        report: The JSON report.
        checks: Those in force.

    Returns:
        ``checks``: ids of those that settle it, in order; ``possible``: its possible grades; ``modes``: mode to the
        grade that it alone gives; ``model``: id, hash and stated rate; ``inputs``: mean of each number over the photos.
    """
    model = report["model"]
    return {
        "checks": list(wanted(report, checks)),
        "possible": list(report["possible_grades"]),
        "modes": {line["mode"]: line["grade"] for line in report["measures"] if line.get("grade") in GRADES},
        "model": {name: model.get(name) for name in ("id", "sha256", "rate")},
        "inputs": _inputs(report.get("inputs", [])),
    }


def wanted(report: Mapping[str, Any], checks: Checks) -> tuple[str, ...]:
    """The hand checks that settle a grade: those without which no verdict is given, for the modes in question.

    Where none of these decides a mode that carries the grade, all that do; nothing where no check can decide it.
    """
    part, grade = report["part"]["name"], report["grade"]
    if part is None or grade is None:
        return ()
    missing = confirm(report, {}, checks=checks).missing
    if missing:
        return missing
    carrying = {line["mode"] for line in report["measures"] if line.get("grade") == grade}
    return tuple(one.id for one in checks.of(part) if one.reading and not one.stands_for and carrying & set(one.modes))


def _inputs(photos: list[Mapping[str, float | None]]) -> dict[str, float]:
    known = {name: [one[name] for one in photos if one.get(name) is not None] for name in INPUTS}
    return {name: sum(values) / len(values) for name, values in known.items() if values}  # type: ignore[arg-type]
