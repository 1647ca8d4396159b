"""The card of a retrained model: short, and every figure that was measured."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wearvision.parts import PARTS


def card(report: Mapping[str, Any], calibration: Mapping[str, Any]) -> str:
    """The text of ``card.md``.

    Args:
        report: What ``report.json`` holds.
        calibration: The model's.
    """
    told, old, new = report["told"], report["old"], report["new"]
    photos = told["photos"]
    lines = [
        f"# {new['id']}",
        "",
        f"`{old['id']}` (sha256 {old['sha256'][:12]}) trained again on a site's photos: set *{told['set']['name']}* "
        f"(sha256 {told['set']['sha256'][:12]}), {photos['train']} photos to learn from, {photos['calibrate']} to fit "
        f"intervals on, {photos['test']} to compare on; no machine is in two of these.",
        f"{told['replay']} drawn pictures of the base's training designs were learned beside them.",
        f"How: {_how(told['how'])}.",
        f"Seed {told['seed']}, device {told['device']}, {told['seconds']['total']:.0f} seconds.",
        "",
        "## On the site's photos that it has not seen",
        "",
        f"{report['held_out']['photos']} photos of {report['held_out']['machines']} machines; 95 % intervals in "
        "brackets. A photo that was turned away counts as wrong.",
        "",
        *_table({("all parts" if key == "all" else PARTS[key].title): row for key, row in report["parts"].items()}),
        "",
        *_missed(report["missed"]),
        "",
        "## On drawn pictures of designs that no training saw",
        "",
        *_table({"all parts": report["synthetic"]}),
        "",
        "## Intervals",
        "",
        *(f"- {PARTS[part].title}: **{row['used']}**. {row['why']}" for part, row in report["calibration"].items()),
        f"- What is refused as no part: limits of the {calibration['refusal_of']}.",
        "",
        "On photos whose labels only bound a measure, a stated rate means: the intervals reach into these bounds, and "
        "the possible grades hold one that the label allows. It holds as far as labels are right and tomorrow's photos "
        "are like those held out.",
        "",
        "## Before you rely on it",
        "",
        "It has learned this site's parts, camera and bench, and what its people call worn. Photos of another site are "
        "as new to it as they were. Compare its grades with hand checks, and believe the checks.",
        "",
    ]
    return "\n".join(lines)


def _how(how: Mapping[str, Any]) -> str:
    way = how["way"]
    chosen = (
        f"heads, {way['share']:.0%} of each step from the site, {way['epochs']} passes, {way['toward']:.0%} of the way"
    )
    if not way["epochs"]:
        chosen = "the heads stay as they were, since no way of teaching them did better on groups left out"
    if "more" in how:
        more = how["more"]
        chosen += (
            "; regions and last blocks fine-tuned"
            if more["kept"]
            else "; fine-tuning more was not better and is not kept"
        )
    if how["folds"]:
        return f"{chosen}, chosen by {how['folds']}-fold cross-validation among the training groups"
    return f"{chosen}, not chosen by trial: {how['why']}"


def _table(rows: Mapping[str, Mapping[str, Any]]) -> list[str]:
    lines = [
        "| | n | macro-F1 old | new | difference | McNemar p | replace called serviceable, old | new | refused, old "
        "| new | truth among the possible grades, old | new | how many, old | new |",
        "|---" * 14 + "|",
    ]
    for title, row in rows.items():
        old, new, pairs = row["old"], row["new"], row["mcnemar"]
        cells = [
            title, str(row["n"]), _figure(old["macro_f1"]), _figure(new["macro_f1"]), _figure(row["f1_difference"]),
            f"{pairs['p']:.3g} ({pairs['only_new']} only new, {pairs['only_old']} only old)",
            _rare(old["missed"]), _rare(new["missed"]), _figure(old["refused"]), _figure(new["refused"]),
            _figure(old["in_set"]), _figure(new["in_set"]), _number(old["set_size"]), _number(new["set_size"]),
        ]  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def _missed(rows: list[dict[str, Any]]) -> list[str]:
    if not rows:
        return ["No part surely to be replaced was called serviceable, by either model."]
    return [
        "Parts surely to be replaced that one of the two called serviceable:",
        "",
        *(
            f"- {row['sha256'][:12]}, {PARTS[row['part']].title}: old {row['old'] or 'refused'}, "
            f"new {row['new'] or 'refused'}"
            for row in rows
        ),
    ]


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _figure(figure: Mapping[str, Any]) -> str:
    if figure["value"] is None:
        return "-"
    return f"{figure['value']:.3f} [{figure['low']:.3f}, {figure['high']:.3f}]"


def _rare(figure: Mapping[str, Any]) -> str:
    return "-" if not figure["of"] else f"{figure['hits']} of {figure['of']}, below {figure['upper']:.3f}"
