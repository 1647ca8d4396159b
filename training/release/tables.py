"""What the comparisons of a release found, as CSV and as a Markdown table for the card."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from wearvision_training.release.make import Folders
from wearvision_training.release.plan import ReleasePlan

FIGURES = ("part", "grade_by_values", "grade", "auroc", "f1", "relative_error", "held")
"""Of the watched pictures, see ``school.watch``."""
Row = dict[str, Any]


def write_tables(plan: ReleasePlan, out: Path) -> list[str]:
    """Writes ``comparisons`` and ``variants``, each as CSV and Markdown, of what is there; returns the Markdown."""
    folders = Folders(out)
    tables = {
        "comparisons": [row for name in plan.compare.variants if (row := _trained(folders.compared(name), name))],
        "variants": [row for name in plan.variants if (row := _smaller(plan, folders, name))],
    }
    written = []
    for name, rows in tables.items():
        if not rows:
            continue
        with (out / f"{name}.csv").open("w", newline="") as file:
            table = csv.DictWriter(file, list(rows[0]))
            table.writeheader()
            table.writerows(rows)
        written.append(markdown(rows))
        (out / f"{name}.md").write_text(written[-1], "utf-8")
    return written


def markdown(rows: Sequence[Row]) -> str:
    """A table whose columns are the keys of the first row."""
    lines = [list(rows[0]), ["---"] * len(rows[0]), *([_word(cell) for cell in row.values()] for row in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"


def _word(cell: Any) -> str:
    if cell is None:
        return "-"
    return f"{cell:.3f}" if isinstance(cell, float) else str(cell)


def _trained(run: Path, name: str) -> Row | None:
    """One training to choose by; None before it is over."""
    told, done = _read(run / "config.json"), _read(run / "run.json")
    if not told or not done or not done["finished"]:
        return None
    config, pictures = told["config"], told["material"]["pictures"]
    row: Row = {name: config[name] for name in ("start", "size", "decoder", "heads")}
    row |= {"sets": "+".join(Path(one).name for one in pictures), "pictures": sum(pictures.values())}
    row |= {"steps": done["steps"], "seconds": round(float(done["seconds"]))}
    return {"variant": name, **row, **{figure: done["watched"].get(figure) for figure in FIGURES}}


def _smaller(plan: ReleasePlan, folders: Folders, variant: str) -> Row | None:
    """A smaller model file beside the float32 one, on the first test set; None before it was judged."""
    name = f"{plan.model}-{variant}"
    figures = _read(folders.report(f"{plan.of('test')[0]}-{name}") / "report.json")
    if not figures:
        return None
    found = figures["comparison"]
    change = found["macro_f1_difference"]
    points = {key: None if change.get(key) is None else 100 * change[key] for key in ("value", "low", "high")}
    size = (folders.model(name) / "model.onnx").stat().st_size
    return {
        "variant": variant,
        "megabytes": size / 1e6,
        "macro-F1 change in points": points["value"],
        "from": points["low"],
        "to": points["high"],
        "right only here": found["mcnemar"]["only_ours"],
        "right only in float32": found["mcnemar"]["only_other"],
        "p": found["mcnemar"]["p"],
    }


def _read(file: Path) -> Any:
    return json.loads(file.read_text("utf-8")) if file.is_file() else None
