"""The page's sections about one model: from figures to words, tables and plots."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES
from wearvision_training.assessment.intervals import SAID
from wearvision_training.assessment.page import Cell, Plot, Section, Table, make_table
from wearvision_training.assessment.plots import as_source, reliability_plot, scatter_plot, strata_plot
from wearvision_training.assessment.wording import (
    HEADLINES,
    MISSES,
    NOTHING,
    counts,
    number,
    percent,
    span,
    span_percent,
)

Figures = Mapping[str, Any]
INTERVAL = "95 % interval"


def sections(figures: Figures) -> list[Section]:
    """What every report has."""
    return [
        headline(figures),
        grades(figures),
        parts(figures),
        possible(figures),
        probabilities(figures),
        measures(figures),
        where(figures),
    ]


def headline(figures: Figures) -> Section:
    """The figures that decide, each with interval and counts."""
    rows = []
    for key, words in HEADLINES.items():
        one = figures[key]
        if key.startswith("macro_f1"):
            rows.append([words, number(one["value"]), span(one), counts(one)])
        else:
            rows.append([words, percent(one["value"]), span_percent(one), counts(one)])
    missed = [
        [words, percent(one["value"], 2), span_percent(one, 2), percent(one["upper"], 2), counts(one)]
        for key, words in MISSES.items()
        for one in [figures[key]]
    ]
    brier, size = figures["brier"], figures["set_size"]["all"]
    rows.append(["possible grades, mean number", number(size["value"]), span(size), counts(size)])
    rows.append(["Brier score (sum over three grades)", number(brier["value"]), span(brier), counts(brier)])
    rows.append(["calibration error of the likeliest grade", number(figures["ece"]), NOTHING, counts(brier)])
    text = (
        "Grade figures are over the photos that were judged, unless said otherwise. Intervals: Wilson for shares, "
        "bootstrap over pictures for the rest; 'at most' is the one-sided 95 % Clopper-Pearson bound. They take "
        "pictures as independent; pictures of one design family are alike, so that a new family may differ by more.",
    )
    tables = [
        make_table("Main figures", ("", "value", INTERVAL, "counts"), rows),
        make_table("Replace called serviceable", ("", "share", INTERVAL, "at most", "counts"), missed),
    ]
    return Section("figures", "Figures", text, tables)


def grades(figures: Figures) -> Section:
    """Confusion by part, precision and recall by grade."""
    tables = [_confusion(PARTS[part].title, rows) for part, rows in figures["confusion"].items()]
    rows = [
        [
            grade,
            *(
                text
                for name in ("precision", "recall")
                for text in (
                    percent(figures["by_grade"][grade][name]["value"]),
                    span_percent(figures["by_grade"][grade][name]),
                    counts(figures["by_grade"][grade][name]),
                )
            ),
        ]
        for grade in GRADES
    ]
    tables.append(
        make_table(
            "Precision and recall of each grade, judged photos",
            ("grade", "precision", INTERVAL, "counts", "recall", INTERVAL, "counts"),
            rows,
        )
    )
    by_part = [[PARTS[p].title, number(one["value"]), span(one), counts(one)] for p, one in figures["by_part"].items()]
    tables.append(make_table("Macro-F1 by part, judged photos", ("part", "macro-F1", INTERVAL, "counts"), by_part))
    return Section("grades", "Grades", ("All tables here are over pictures outside the guard bands.",), tables)


def _confusion(title: str, rows: Mapping[str, Mapping[str, int]]) -> Table:
    cells = [[grade, *(_count(rows[grade][said], said == grade) for said in SAID)] for grade in rows]
    return make_table(f"{title}: true grade (rows), answered grade (columns)", ("true grade", *SAID), cells, fold=False)


def _count(value: int, right: bool) -> Cell:
    """Right answers and errors are told apart by weight and underline too, not by colour alone."""
    return Cell(str(value), ("good" if right else "bad") if value else "")


def parts(figures: Figures) -> Section:
    """Which part was seen, what was turned away and why."""
    names = list(figures["parts_confusion"])
    cells = [
        [_part(true), *(_count(row[said], said == true) for said in names)]
        for true, row in figures["parts_confusion"].items()
    ]
    tables = [make_table("True part (rows), named part (columns)", ("shown", *map(_part, names)), cells, fold=False)]
    if figures["unfit_faults"]:
        rows = [[kind.replace("_", " "), str(n)] for kind, n in sorted(figures["unfit_faults"].items())]
        tables.append(make_table("Faults named in photos of parts", ("fault", "photos"), rows, fold=False))
    text = (
        "A photo refused as not a part counts as named 'not a part'. Photos are taken as fit where their recipe "
        "names no fault.",
    )
    return Section("parts", "Parts and refusal", text, tables)


def _part(name: str) -> str:
    return PARTS[name].title if name in PARTS else "not a part"


def possible(figures: Figures) -> Section:
    """How often the possible grades hold the truth, for each true grade, and how many they are."""
    held: dict[str, Any] = {grade: figures["possible_by_grade"][grade] for grade in GRADES}
    held |= {"in guard bands": figures["possible_borderline"], "all judged": figures["possible_grades_hold_truth"]}
    rows = [[name, percent(one["value"]), span_percent(one), counts(one)] for name, one in held.items()]
    sizes = [[name, number(one["value"], 2), span(one, 2), counts(one)] for name, one in figures["set_size"].items()]
    total = sum(figures["set_sizes"].values())
    many = [[size, str(n), percent(n / total)] for size, n in figures["set_sizes"].items()]
    return Section(
        "possible",
        "Possible grades",
        (),
        [
            make_table("Possible grades hold the truth", ("true grade", "share", INTERVAL, "counts"), rows),
            make_table("Mean number of possible grades", ("pictures", "mean", INTERVAL, "counts"), sizes),
            make_table("How many grades were possible", ("grades", "photos", "share"), many, fold=False),
        ],
    )


def probabilities(figures: Figures) -> Section:
    """Brier score, calibration error, reliability diagram and its bins."""
    found = figures["reliability"]
    tables = [
        make_table(
            caption,
            ("stated, mean", "was so", INTERVAL, "counts"),
            [[number(one["confidence"]), percent(one["value"]), span_percent(one), counts(one)] for one in found[key]],
            fold=False,
        )
        for key, caption in (("top", "The likeliest grade, by stated probability"), ("replace", "Replace, the same"))
    ]
    text = (
        f"Brier score {number(found['brier']['value'])} ({span(found['brier'])}): sum over the three grades, 0 is "
        "best, 2 worst. "
        f"Expected calibration error over 15 bins {number(found['ece'])} for the likeliest grade, "
        f"{number(found['ece_replace'])} for replace; biased upwards where bins hold few pictures.",
    )
    plot = Plot(
        "Reliability diagram",
        as_source(reliability_plot(found["top"], found["replace"])),
        "Share that was so against stated probability, with intervals; the tables above hold the same numbers.",
    )
    return Section("probabilities", "Stated probabilities", text, tables, [plot], large=True)


def measures(figures: Figures) -> Section:
    """The tables of measures, and each one's values read against true ones."""
    found = figures["measures"]
    text = (
        "Worn: the true value is at or over the serviceable limit. In the plots the solid lines are that limit; on the "
        "broken line the reading is the truth.",
    )
    tables = [_errors(found), _presence(found)]
    plots = [_scatter(key, one) for key, one in found.items() if one["points"]]
    return Section("measures", "Measures", text, tables, plots)


def _errors(found: Mapping[str, Any]) -> Table:
    rows = [
        [
            _measure(key),
            str(one["worn"]),
            str(one["worn_unmeasured"]),
            number(one["error"], 4),
            number(one["constant_error"], 4),
            percent(one["interval_holds"]["value"]),
            span_percent(one["interval_holds"]),
            number(one["interval_width"], 3),
        ]
        for key, one in found.items()
    ]
    head = ("measure", "worn", "unmeasured", "error", "constant's", "holds", INTERVAL, "width")
    note = (
        "Error: mean absolute error over worn; constant's: that of always saying the median. Holds: how often the "
        "stated interval holds the truth; width: its median width."
    )
    return make_table("Error and stated intervals where worn", head, rows, note)


def _presence(found: Mapping[str, Any]) -> Table:
    rows = [
        [
            _measure(key),
            number(one["present_f1"]["value"]),
            counts(one["present_f1"]["found"]),
            percent(one["false_alarm"]["value"]),
            span_percent(one["false_alarm"]),
            counts(one["false_alarm"]),
        ]
        for key, one in found.items()
    ]
    note = (
        "F1 of being at or over the serviceable limit, guard bands of the truth left out; worn and unmeasured counts "
        "as missed. False alarms: read at or over the limit where the truth is under a quarter of it."
    )
    head = ("measure", "F1", "found", "false alarms", INTERVAL, "counts")
    return make_table("Is the wear there", head, rows, note)


def _measure(key: str) -> str:
    return key.replace(".", ": ").replace("_", " ")


def _scatter(key: str, one: Mapping[str, Any]) -> Plot:
    part, name = key.split(".")
    figure = scatter_plot(one["points"], one["limit"], load_limits().row(part, name).unit)
    title = _measure(key)
    alt = f"{title}: value read against true value of {len(one['points'])} pictures; error {number(one['error'], 4)}."
    return Plot(title, as_source(figure), alt)


def where(figures: Figures) -> Section:
    """Wrong grades by how the picture was taken and made."""
    tables, plots = [], []
    for name, classes in figures["strata"].items():
        rows = [
            [
                one["class"],
                str(one["asked"]),
                percent(one["not_judged"]["value"]),
                percent(one["wrong"]["value"]),
                span_percent(one["wrong"]),
                counts(one["wrong"]),
                str(one["missed"]),
            ]
            for one in classes
        ]
        head = (name, "photos", "not judged", "wrong grade", INTERVAL, "counts", "replace called serviceable")
        tables.append(make_table(f"By {name}", head, rows))
        if sum(one["wrong"]["of"] > 0 for one in classes) > 1:
            alt = f"Share of wrong grades by {name}, with intervals; the table of that name holds the same numbers."
            plots.append(Plot(f"Wrong grades by {name}", as_source(strata_plot(classes)), alt))
    text = ("Wrong: not a grade that the standard accepts, of the photos that were judged.",)
    return Section("where", "Where the errors are", text, tables, plots, large=True)
