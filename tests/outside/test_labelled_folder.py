"""A labelled folder read by general-purpose libraries alone: pandas for tables, Pillow and scikit-image for pictures.

Reference: pandas, Pillow and scikit-image as installed; the values are those that were written.
"""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from wearvision.labels import Labelled, Truth, group_of, split_of, write_folder
from wearvision.labels.bounds import AtLeast, Bound
from wearvision.standard import load_limits

pandas = pytest.importorskip("pandas")
skimage_io = pytest.importorskip("skimage.io")


@pytest.fixture
def items() -> list[Labelled]:
    found = []
    for seed, grade in enumerate(("serviceable", "replace")):
        rng = np.random.default_rng(seed)
        out = io.BytesIO()
        Image.fromarray(rng.integers(0, 255, (90, 120, 3), np.uint8)).save(out, "PNG")
        mask = rng.random((90, 120)) < 0.3
        group = group_of(f"=OH;{seed}", "")
        truth = Truth(
            "flame_cell", "face", True, (), grade, (grade,),
            {"haze": Bound(0.05, 0.15, 0.1, "match"), "crack_ratio": Bound(0.0, 0.05, None, "mode")},
            AtLeast("replace", ("scorch", "housing")) if grade == "replace" else None, "agreed",
        )  # fmt: skip
        data = out.getvalue()
        found.append(
            Labelled(
                hashlib.sha256(data).hexdigest(), data, f"=OH;{seed}", group, split_of(group), seed == 1, truth,
                ({"author": "p1", "turn": 1, "body": {"note": "a, \"b\"\n;"}},), {"rim": mask},
            )
        )  # fmt: skip
    return found


def test_general_purpose_readers_find_what_was_written(tmp_path: Path, items: list[Labelled]) -> None:
    digest = write_folder(tmp_path, "Ostvale Hire", items, load_limits())
    table = pandas.read_csv(tmp_path / "examples.csv").set_index("sha256")
    lines = pandas.read_json(tmp_path / "examples.jsonl", lines=True).set_index("sha256")
    head = json.loads((tmp_path / "set.json").read_text("utf-8"))
    assert head["sha256"] == digest == hashlib.sha256((tmp_path / "examples.jsonl").read_bytes()).hexdigest()
    assert head["counts"]["parts"] == {"flame_cell": {"replace": 1, "serviceable": 1}}
    for item in items:
        row, line = table.loc[item.sha256], lines.loc[item.sha256]
        assert (row["machine"], row["group"], row["split"]) == (f"'{item.machine}", item.group, item.split)
        assert line["machine"] == item.machine, "the apostrophe only keeps spreadsheets from taking it for a formula"
        assert (row["grade"], row["part"], row["view"], row["at_random"]) == (
            item.truth.grade, "flame_cell", "face", item.at_random,
        )  # fmt: skip
        assert (row["haze"], row["haze_low"], row["haze_high"], row["haze_source"]) == (0.1, 0.05, 0.15, "match")
        assert np.isnan(row["crack_ratio"])
        assert row["crack_ratio_high"] == 0.05
        assert np.isnan(row["rim_deviation_low"])
        assert line["truth"] == item.truth.to_dict()
        assert tuple(line["labels"]) == item.labels
        with Image.open(tmp_path / row["file"]) as picture, Image.open(io.BytesIO(item.read_bytes())) as before:
            assert np.array_equal(np.asarray(picture), np.asarray(before))
        mask = skimage_io.imread(tmp_path / "masks" / item.sha256 / "rim.png")
        assert mask.dtype == np.uint8
        assert np.array_equal(mask, item.masks["rim"] * np.uint8(255))
    assert table.loc[items[1].sha256, "at_least_modes"] == "scorch;housing"
