"""The whole report: grade, count, stress, compare, and write the page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from wearvision_training.assessment.answers import Answers, answer
from wearvision_training.assessment.changes import CHANGES
from wearvision_training.assessment.compare import compare
from wearvision_training.assessment.figures import evaluate
from wearvision_training.assessment.more_sections import comparison, errors, stress
from wearvision_training.assessment.page import Page, render
from wearvision_training.assessment.sections import sections
from wearvision_training.assessment.stress import falls
from wearvision_training.assessment.worst import Worst, squares, worst
from wearvision_training.dataset import PictureSet


def assess(
    model: Path,
    pictures: PictureSet,
    *,
    name: str,
    against: Path | None = None,
    stress: bool = False,
    workers: int = 2,
) -> dict[str, Any]:
    """All figures of a model on a labelled set, as JSON values.

    Args:
        model: The model folder.
        pictures: The labelled set.
        name: What the report calls the set.
        against: Another model folder, graded on the same pictures and compared.
        stress: Whether to grade again after each of ``changes.CHANGES``.
        workers: Processes.
    """
    answers = answer(model, pictures, workers=workers)
    figures: dict[str, Any] = {"about": _about(answers, name), **evaluate(answers)}
    if stress:
        again = {change: answer(model, pictures, workers=workers, change=change) for change in CHANGES}
        figures["stress"] = falls(answers, again)
    if against is not None:
        other = answer(against, pictures, workers=workers)
        figures["comparison"] = {"other": _model(other)["id"], **compare(answers, other)}
    figures["worst"] = [entry.to_dict() for entry in worst(answers)]
    return figures


def _about(answers: Answers, name: str) -> dict[str, Any]:
    limits = answers.reports[0]["limits"] if answers.reports else {}
    return {"set": name, "pictures": len(answers), "model": _model(answers), "limits": dict(limits)}


def _model(answers: Answers) -> dict[str, Any]:
    return dict(answers.reports[0]["model"]) if answers.reports else {"id": "unknown"}


def make_page(figures: dict[str, Any], model: Path, pictures: PictureSet) -> Page:
    """The page of a set's figures, as ``assess`` made them, with the worst errors as pictures."""
    about = figures["about"]
    made = sections(figures)
    if "stress" in figures:
        made.append(stress(figures["stress"]))
    if "comparison" in figures:
        made.append(comparison(figures["comparison"]))
    entries = [Worst(**{**entry, "measures": tuple(entry["measures"])}) for entry in figures["worst"]]
    photos = [pictures.images[entry.index] for entry in entries]
    made.append(errors(entries, photos, squares(model, photos)))
    facts = [
        ("model", f"{about['model']['id']}, sha256 {about['model'].get('sha256', '')[:12]}"),
        ("calibrated on", f"{about['model'].get('calibrated_on')}, stated rate {about['model'].get('rate')}"),
        ("set", f"{about['set']}, {about['pictures']} pictures"),
        ("limits", str(about["limits"].get("id", ""))),
    ]
    return Page(f"How well {about['model']['id']} grades {about['set']}", facts, made)


def write_page(figures: dict[str, Any], model: Path, pictures: PictureSet, file: Path) -> None:
    """Writes the page, one file that needs no other."""
    file.write_text(render(make_page(figures, model, pictures)), "utf-8")
