"""A labelled folder is read by general-purpose readers with equal values.

pandas reads the table and the JSON lines, scikit-image and Pillow the masks and photos: readers that know nothing of
this program. Source: common practice, no published source.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from skimage.io import imread

from wearvision.labels.bounds import Bound
from wearvision.labels.drawn import mask
from wearvision.labels.folder import Labelled, write_folder
from wearvision.labels.label import Shape
from wearvision.labels.truth import Truth
from wearvision_api.teaching.pieces import png, read_png

SIZE = (96, 128)


def picture(seed: int) -> bytes:
    pixels = np.random.default_rng(seed).integers(0, 256, (*SIZE, 3), np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG")
    return buffer.getvalue()


@pytest.fixture
def items() -> list[Labelled]:
    import hashlib

    truths = [
        Truth(
            "flame_cell",
            "face",
            grade="replace",
            acceptable_grades=("clean-and-reuse", "replace"),
            bounds={"film_loss": Bound(0.15, 0.25, 0.2, "match")},
            rank="agreed",
        ),
        Truth("none"),
        Truth("coupler", "end", fit=False, faults=("blurred",), rank="third"),
    ]
    shapes = (Shape("polygon", ((0.1, 0.1), (0.7, 0.2), (0.4, 0.9))),)
    found = []
    for seed, truth in enumerate(truths):
        data = picture(seed)
        masks = {"film": mask(shapes, SIZE)} if truth.bounds else {}
        found.append(
            Labelled(
                hashlib.sha256(data).hexdigest(),
                data,
                f"H-{seed}, “Ä”",
                f"g{seed}",
                "train" if seed else "test",
                seed == 1,
                truth,
                ({"author": "person-1", "turn": 1, "at": "2026-03-02T09:30:00Z", "body": {"part": truth.part}},),
                masks,
            )
        )
    return found


def test_pandas_reads_table_and_lines_alike(items: list[Labelled], tmp_path: Path) -> None:
    write_folder(tmp_path / "set", "Spring", items, {"id": "limits", "sha256": "0" * 64})
    table = pd.read_csv(tmp_path / "set" / "examples.csv", keep_default_na=False).set_index("sha256")
    lines = pd.read_json(tmp_path / "set" / "examples.jsonl", lines=True).set_index("sha256")
    assert set(table.index) == set(lines.index) == {one.sha256 for one in items}
    for one in items:
        row, line = table.loc[one.sha256], lines.loc[one.sha256]
        for name in ("file", "machine", "group", "split"):
            assert row[name] == line[name]
        assert (row["machine"], row["split"]) == (one.machine, one.split)
        assert (row["part"], row["grade"] or None) == (one.truth.part, one.truth.grade)
        assert (line["truth"]["part"], line["truth"]["grade"]) == (one.truth.part, one.truth.grade)
        assert line["truth"]["rank"] == one.truth.rank
    first = lines.loc[items[0].sha256]["truth"]["bounds"]["film_loss"]
    assert (first["low"], first["high"], first["value"]) == (0.15, 0.25, 0.2)


def test_masks_and_photos_have_equal_pixels_in_other_readers(items: list[Labelled], tmp_path: Path) -> None:
    write_folder(tmp_path / "set", "Spring", items, {"id": "limits", "sha256": "0" * 64})
    first = items[0]
    path = tmp_path / "set" / "masks" / first.sha256 / "film.png"
    by_skimage = imread(path)
    assert (by_skimage.dtype, by_skimage.shape) == (np.uint8, SIZE)
    assert set(np.unique(by_skimage)) == {0, 255}
    assert np.array_equal(by_skimage == 255, first.masks["film"])
    with Image.open(path) as image:
        assert image.mode == "L"
        assert np.array_equal(np.asarray(image), by_skimage)
    for one in items:
        photo = next((tmp_path / "set" / "photos").glob(f"{one.sha256}.*"))
        with Image.open(io.BytesIO(one.read_bytes())) as image:
            assert np.array_equal(imread(photo), np.asarray(image))


def test_mask_of_a_frozen_set_is_read_by_scikit_image(tmp_path: Path) -> None:
    drawn = np.random.default_rng(1).random(SIZE) > 0.5
    (tmp_path / "mask.png").write_bytes(png(drawn, "0" * 64))
    assert np.array_equal(imread(tmp_path / "mask.png") == 255, drawn)
    assert np.array_equal(read_png(png(drawn, "0" * 64)), drawn)
