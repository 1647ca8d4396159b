"""Grades a labelled set with the library and says how often it was right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.grade import Grader
from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision_training.dataset import PictureSet
from wearvision_training.scores import absolute_error, bootstrap, macro_f1, wilson

Row = Mapping[str, Any]
Report = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Answers:
    """Truth and report of every picture of a set, in order."""

    truths: Sequence[Row]
    reports: Sequence[Report]


_grader: Grader | None = None


def _start(folder: str) -> None:
    global _grader  # one session a process
    _grader = Grader(model=folder)


def _grade(image: NDArray[np.uint8]) -> Report:
    if _grader is None:
        raise RuntimeError("the worker was not started with a model")
    return _grader.grade_image(image).to_dict()


def answer(folder: Path, pictures: PictureSet, *, workers: int) -> Answers:
    """Grades every picture of a set as a user's photo would be."""
    from tqdm import tqdm

    # Spawned, not forked: a fork beside the threads of a runtime already loaded here may wait for ever.
    context = get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_start, initargs=(str(folder),)) as pool:
        reports = list(
            tqdm(pool.map(_grade, pictures.images, chunksize=16), total=len(pictures), desc="grading", mininterval=5)
        )
    return Answers(pictures.truths, reports)


def share(hits: int, trials: int) -> dict[str, Any]:
    """A proportion with its counts and Wilson interval."""
    low, high = wilson(hits, trials)
    return {"value": hits / trials if trials else None, "low": low, "high": high, "hits": hits, "of": trials}


def evaluate(answers: Answers) -> dict[str, Any]:
    """All figures as plain JSON values.

    A picture refused as unfit or as not a part has no grade: it counts against ``part`` and ``answered``, and the
    grade figures are over the pictures that were answered.
    """
    pairs = list(zip(answers.truths, answers.reports, strict=True))
    parts = [(t, r) for t, r in pairs if t["part"] in PARTS]
    others = [(t, r) for t, r in pairs if t["part"] not in PARTS]
    named = [(t, r) for t, r in parts if r["part"]["name"] is not None]
    graded = [(t, r) for t, r in parts if r["grade"] is not None]
    clear = [(t, r) for t, r in graded if not t["borderline"]]
    replaces = [(t, r) for t, r in graded if t["acceptable_grades"] == ["replace"]]
    missed = [(t, r) for t, r in replaces if r["grade"] == "serviceable"]
    alone = [(t, r) for t, r in replaces if r["possible_grades"] == ["serviceable"]]
    return {
        "pictures": len(pairs),
        "part": share(sum(t["part"] == r["part"]["name"] for t, r in parts), len(parts)),
        "part_when_named": share(sum(t["part"] == r["part"]["name"] for t, r in named), len(named)),
        "view": share(sum(t["view"] == r["part"]["view"] for t, r in named), len(named)),
        "not_parts_refused": share(sum(r["grade"] is None for _, r in others), len(others)),
        "answered": share(len(graded), len(parts)),
        "unfit_faults": _faults(parts),
        "macro_f1_clear": _f1(clear),
        "grade_acceptable": share(sum(r["grade"] in t["acceptable_grades"] for t, r in graded), len(graded)),
        "replace_called_serviceable": share(len(missed), len(replaces)),
        "replace_called_serviceable_without_doubt": share(len(alone), len(replaces)),
        "possible_grades_hold_truth": share(
            sum(set(t["acceptable_grades"]) & set(r["possible_grades"]) != set() for t, r in graded), len(graded)
        ),
        "possible_grades_hold_replace": share(
            sum("replace" in r["possible_grades"] for _, r in replaces), len(replaces)
        ),
        "mean_set_size": float(np.mean([len(r["possible_grades"]) for _, r in graded])) if graded else None,
        "by_part": {part: _f1([(t, r) for t, r in clear if t["part"] == part]) for part in PARTS},
        "measures": _measures(graded),
    }


def _f1(pairs: list[tuple[Row, Report]]) -> dict[str, Any]:
    if not pairs:
        return {"value": None, "of": 0}
    truth = np.array([t["grade"] for t, _ in pairs])
    said = np.array([r["grade"] for _, r in pairs])
    low, high = bootstrap(lambda index: macro_f1(list(truth[index]), list(said[index])), len(pairs))
    return {"value": macro_f1(list(truth), list(said)), "low": low, "high": high, "of": len(pairs)}


def _faults(pairs: list[tuple[Row, Report]]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for _, report in pairs:
        for fault in report["faults"]:
            counts[fault["kind"]] = counts.get(fault["kind"], 0) + 1
    return counts


def _measures(pairs: list[tuple[Row, Report]]) -> dict[str, Any]:
    """For each measure: error over worn pictures, that of the best constant, coverage, false alarms where absent."""
    limits = load_limits()
    table: dict[str, Any] = {}
    for part, spec in PARTS.items():
        for mode in spec.modes:
            rows = [
                (t["measures"][mode.measure], line)
                for t, r in pairs
                if t["part"] == part and mode.measure in t["measures"]
                for line in r["measures"]
                if line["name"] == mode.measure and line["value"] is not None
            ]
            if not rows:
                continue
            limit = limits.row(part, mode.measure).serviceable_below or 0.5
            truth = np.array([value for value, _ in rows])
            said = np.array([line["value"] for _, line in rows])
            held = np.array([line["low"] - 1e-9 <= value <= line["high"] + 1e-9 for value, line in rows])
            worn, absent = truth >= limit, truth < limit / 4
            entry: dict[str, Any] = {"worn": int(worn.sum()), "absent": int(absent.sum())}
            if worn.any():
                entry["error"], entry["constant_error"] = absolute_error(truth[worn], said[worn])
                entry["interval_holds"] = share(int(held[worn].sum()), int(worn.sum()))
            entry["false_alarm"] = share(int((said[absent] >= limit).sum()), int(absent.sum()))
            table[f"{part}.{mode.measure}"] = entry
    return table


def table(figures: Mapping[str, Any]) -> str:
    """The figures as lines a person can read."""
    lines = [f"pictures {figures['pictures']}"]
    for name, value in figures.items():
        if isinstance(value, dict) and "of" in value and value["value"] is not None:
            lines.append(f"{name:42s} {value['value']:.4f}  [{value['low']:.4f}, {value['high']:.4f}]  n {value['of']}")
        elif isinstance(value, float):
            lines.append(f"{name:42s} {value:.3f}")
    lines.append(f"unfit faults: {figures['unfit_faults']}")
    for part, value in figures["by_part"].items():
        if value["value"] is not None:
            lines.append(
                f"macro_f1 {part:33s} {value['value']:.4f}  [{value['low']:.4f}, {value['high']:.4f}]  n {value['of']}"
            )
    lines.append(
        f"{'measure':30s} {'worn':>5s} {'error':>7s} {'const.':>7s} {'held':>6s} {'false alarm':>12s} of absent"
    )
    for key, row in figures["measures"].items():
        error = (
            f"{row['error']:7.4f} {row['constant_error']:7.4f} {row['interval_holds']['value']:6.3f}"
            if row["worn"]
            else " " * 22
        )
        alarm = row["false_alarm"]["value"]
        lines.append(f"{key:30s} {row['worn']:5d} {error} {'-' if alarm is None else f'{alarm:12.4f}'} {row['absent']}")
    return "\n".join(lines)
