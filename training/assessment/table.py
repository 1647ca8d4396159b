"""The figures as lines a person can read on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wearvision_training.assessment.wording import points, points_span


def table(figures: Mapping[str, Any]) -> str:
    """All figures of a set, one a line; with stress and comparison where they were made."""
    return "\n".join([*_headlines(figures), *_measures(figures["measures"]), *_stress(figures), *_comparison(figures)])


def _headlines(figures: Mapping[str, Any]) -> Iterator[str]:
    yield f"pictures {figures['pictures']}"
    for name, value in figures.items():
        if isinstance(value, dict) and "of" in value and value["value"] is not None:
            yield _line(name, value)
        elif isinstance(value, float):
            yield f"{name:42s} {value:.3f}"
    yield f"unfit faults: {figures['unfit_faults']}"
    for part, value in figures["by_part"].items():
        if value["value"] is not None:
            yield _line(f"macro_f1 {part}", value)
    for grade, both in figures["by_grade"].items():
        for name, value in both.items():
            if value["value"] is not None:
                yield _line(f"{name} {grade}", value)
    for grade, value in figures["possible_by_grade"].items():
        if value["value"] is not None:
            yield _line(f"possible_grades_hold {grade}", value)


def _line(name: str, value: Mapping[str, Any]) -> str:
    upper = f"  upper {value['upper']:.4f}" if "upper" in value else ""
    counted = f"{value['hits']}/{value['of']}" if "hits" in value else f"n {value['of']}"
    return f"{name:42s} {value['value']:.4f}  [{value['low']:.4f}, {value['high']:.4f}]  {counted}{upper}"


def _measures(rows: Mapping[str, Any]) -> Iterator[str]:
    yield (
        f"{'measure':30s} {'worn':>5s} {'error':>7s} {'const.':>7s} {'held':>6s} {'F1':>6s} "
        f"{'false alarm':>12s} of absent"
    )
    for key, row in rows.items():
        if row["worn"]:
            error = f"{row['error']:7.4f} {row['constant_error']:7.4f} {row['interval_holds']['value']:6.3f}"
        else:
            error = " " * 22
        found, alarm = row["present_f1"]["value"], row["false_alarm"]["value"]
        yield (
            f"{key:30s} {row['worn']:5d} {error} {'-' if found is None else f'{found:.3f}':>6s} "
            f"{'-' if alarm is None else f'{alarm:.4f}':>12s} {row['absent']}"
        )


def _stress(figures: Mapping[str, Any]) -> Iterator[str]:
    if "stress" not in figures:
        return
    yield f"{'change of the pictures':30s} {'macro-F1, points':>18s} {'interval':>18s} {'judged, points':>15s}"
    for name, row in figures["stress"].items():
        change = row["macro_f1_change"]
        yield (
            f"{name:30s} {points(change['value']):>18s} {points_span(change):>18s} "
            f"{points(row['judged_change']):>15s}{'  falls more than 2 points' if row['named'] else ''}"
        )


def _comparison(figures: Mapping[str, Any]) -> Iterator[str]:
    if "comparison" not in figures:
        return
    found = figures["comparison"]
    pairs = found["mcnemar"]
    yield (
        f"against {found['other']}: accepted grades: both {pairs['both']}, only this {pairs['only_ours']}, only the "
        f"other {pairs['only_other']}, neither {pairs['neither']}; McNemar exact p {pairs['p']:.4g}"
    )
    for name in ("macro_f1_difference", "macro_f1_difference_refused_wrong"):
        yield f"{name:42s} {points(found[name]['value'])} points  [{points_span(found[name])}]  n {found[name]['of']}"
    for key, row in found["measures"].items():
        gap = row["difference"]
        yield (
            f"{key:30s} error {row['ours']:.4f} against {row['other']:.4f}: {gap['value']:+.4f}  "
            f"[{gap['low']:+.4f}, {gap['high']:+.4f}]  n {gap['of']}"
        )
