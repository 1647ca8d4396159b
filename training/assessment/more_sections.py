"""The page's sections that not every report has: worse files, another model, the worst errors as pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.assessment.page import Card, Cell, Plot, Section, make_table
from wearvision_training.assessment.plots import photo_source
from wearvision_training.assessment.stress import falls_far
from wearvision_training.assessment.wording import NOTHING, number, percent, points, points_span
from wearvision_training.assessment.worst import Worst

INTERVAL = "95 % interval"
Photos = Sequence[NDArray[np.uint8]]


def stress(falls: Mapping[str, Any]) -> Section:
    """What worse files and other exposures do."""
    rows = [
        [
            name,
            _change(row["macro_f1_change"]["value"]),
            points_span(row["macro_f1_change"]),
            f"{row['macro_f1_change']['of']} pictures",
            percent(row["judged_before"]["value"]),
            percent(row["judged_after"]["value"]),
            _change(row["judged_change"]),
            f"{row['missed_before']} → {row['missed_after']}",
        ]
        for name, row in falls.items()
    ]
    named = [name for name, row in falls.items() if row["named"]]
    text = (
        "The same pictures graded again after one change. Macro-F1 in points of a hundred, outside guard bands, over "
        "pictures judged both times, with a paired bootstrap interval.",
        f"Falls of more than 2 points, in macro-F1 or in the share judged: {', '.join(named) or 'none'}.",
    )
    head = (
        "change", "macro-F1, points", INTERVAL, "over", "judged before", "judged after", "change, points",
        "replace called serviceable",
    )  # fmt: skip
    return Section("stress", "Worse files and other exposures", text, [make_table("After each change", head, rows)])


def _change(value: float | None) -> Cell:
    return Cell(points(value), "bad" if falls_far(value) else "")


def comparison(found: Mapping[str, Any]) -> Section:
    """This model against another, pair by pair."""
    pairs = found["mcnemar"]
    grid = [
        ["this one right", str(pairs["both"]), str(pairs["only_ours"])],
        ["this one wrong", str(pairs["only_other"]), str(pairs["neither"])],
    ]
    scores = [
        [words, points(found[key]["value"]), points_span(found[key]), f"{found[key]['of']} pictures"]
        for key, words in (
            ("macro_f1_difference", "judged by both"),
            ("macro_f1_difference_refused_wrong", "all, turned away counts as wrong"),
        )
    ]
    errors = [
        [
            name.replace(".", ": ").replace("_", " "),
            number(row["ours"], 4),
            number(row["other"], 4),
            f"{row['difference']['value']:+.4f}",
            f"{row['difference']['low']:+.4f} to {row['difference']['high']:+.4f}",
            str(row["difference"]["of"]),
        ]
        for name, row in found["measures"].items()
    ]
    text = (
        f"Against {found['other']}, on the same pictures. McNemar's exact test on accepted grades: p "
        f"{pairs['p']:.4g}, from {pairs['only_ours'] + pairs['only_other']} pictures on which just one of the two was "
        f"right. Replace called serviceable: {found['missed']['ours']} here, {found['missed']['other']} there.",
    )
    return Section(
        "against",
        "Against another model",
        text,
        [
            make_table("Accepted grade given", ("", "other right", "other wrong"), grid, fold=False),
            make_table(
                "Macro-F1, this one less the other, outside guard bands",
                ("pictures", "points", INTERVAL, "over"),
                scores,
            ),
            make_table(
                "Error of each measure where worn, both measured",
                ("measure", "this one", "other", "difference", INTERVAL, "pictures"),
                errors,
                "A negative difference is for this model. Intervals by paired bootstrap.",
            ),
        ],
    )


def errors(entries: Sequence[Worst], photos: Photos, squares: Photos) -> Section:
    """The worst errors, one card each: the photo, what was looked at closely, truth and answer.

    Args:
        entries: The errors.
        photos: Their pictures, in the same order.
        squares: What the model looked at closely in each.
    """
    cards = [_card(*row) for row in zip(entries, photos, squares, strict=True)]
    text = (
        "Replace called serviceable first, then by the largest error of a measure in units of its worst limit; then "
        "photos taken for something else or turned away. Left the photo, right what the network looked at closely.",
    )
    return Section("worst", "The worst errors", text if cards else ("There are none.",), cards=cards)


def _card(entry: Worst, photo: NDArray[np.uint8], square: NDArray[np.uint8]) -> Card:
    rows = [
        [
            row["name"].replace("_", " "),
            number(row["truth"]),
            Cell(number(row["value"]), "bad" if row["worst"] else ""),
            NOTHING if row["low"] is None else f"{row['low']:.3f} to {row['high']:.3f}",
        ]
        for row in entry.measures
    ]
    pictures = [
        Plot("photo", photo_source(photo), f"Photo {entry.index} of the set: {entry.truth}."),
        Plot("closer", photo_source(square), "What the network looked at closely."),
    ]
    text = (f"True: {entry.truth}", f"Answer: {entry.answer}", f"Family: {entry.family or NOTHING}")
    table = make_table("Measures", ("", "true", "read", "interval"), rows, fold=False)
    return Card(f"No. {entry.index}: {entry.why}", text, pictures, table)
