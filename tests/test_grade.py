"""The whole way of a photo, with the released network."""

from __future__ import annotations

import io
import json
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from wearvision import Grader
from wearvision.errors import ModelError, NotAnImage, UnknownPart
from wearvision.parts import PARTS
from wearvision.photo import read_photo
from wearvision.standard import CAUTIONS, DEFERENCE, GRADES, Limits, load_limits
from wearvision.standard.limits import override_limits

VIEWS = [(part, view) for part, spec in PARTS.items() for view in spec.views]
KINDS: dict[str, type | tuple[type, ...]] = {
    "photo": str, "sha256": str, "usable": bool, "faults": list, "part": dict, "refusal": (str, type(None)),
    "grade": (str, type(None)), "possible_grades": list, "probabilities": dict, "standing": str, "not_seen": list,
    "views_missing": list, "measures": list, "settings": list, "checks": list, "causes": list, "cautions": list,
    "model": dict, "limits": dict, "milliseconds": dict, "inputs": list,
}  # fmt: skip
HEX64 = re.compile(r"[0-9a-f]{64}")


def _moved(part: str, names: list[str], factor: float) -> Limits:
    """The standard with every threshold of some of a part's measures multiplied."""
    tables = {}
    for name in names:
        row = load_limits().row(part, name)
        values = {key: getattr(row, key) for key in ("serviceable_below", "clean_from", "clean_to", "replace_from")}
        tables[name] = {key: value * factor for key, value in values.items() if value is not None}
    return override_limits(load_limits(), {part: tables}, f"times-{factor}")


def timeless(record: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in record.items() if key != "milliseconds"}


@pytest.fixture(scope="module")
def records(grader: Grader, drawn_photos) -> dict[tuple[str, str], dict[str, Any]]:
    return {key: grader.grade(photo.path).to_dict() for key, photo in drawn_photos.items()}


def test_default_release_is_whole_and_grades(drawn_photos) -> None:
    report = Grader().grade(drawn_photos["flame_cell", "face"].path)
    assert report.model["id"] == "mixed-2"
    assert report.part["name"] == "flame_cell"


@pytest.mark.parametrize("key", VIEWS, ids=str)
def test_report_keeps_the_contract(records, drawn_photos, key: tuple[str, str]) -> None:
    record = json.loads(json.dumps(records[key], allow_nan=False))
    assert set(record) == set(KINDS)
    for name, kind in KINDS.items():
        assert isinstance(record[name], kind), name
    assert record["photo"] == drawn_photos[key].path.name
    assert HEX64.fullmatch(record["sha256"])
    assert (record["part"]["name"], record["part"]["view"]) == key
    assert 0 < record["part"]["probability"] <= 1
    assert record["standing"] == "photo only"
    assert record["grade"] in record["possible_grades"]
    assert list(record["probabilities"]) == list(GRADES)
    assert sum(record["probabilities"].values()) == pytest.approx(1, abs=2e-4)
    assert set(record["milliseconds"]) == {"read", "find", "measure", "total"}
    assert record["milliseconds"]["total"] >= max(record["milliseconds"].values()) > 0
    assert {"id", "sha256", "calibrated_on"} <= set(record["model"])
    assert HEX64.fullmatch(record["model"]["sha256"])
    assert set(record["limits"]) == {"id", "sha256"}
    assert record["cautions"] == [DEFERENCE, *CAUTIONS]


@pytest.mark.parametrize("key", VIEWS, ids=str)
def test_measures_are_the_views_own_each_with_interval_or_reason(records, key: tuple[str, str]) -> None:
    part, view = key
    record = records[key]
    assert [line["name"] for line in record["measures"]] == [m.measure for m in PARTS[part].modes if view in m.views]
    for line in record["measures"]:
        assert line["mode"] == PARTS[part].mode_of(line["name"]).key
        if line["value"] is None:
            assert line["reason"]
        else:
            assert 0 <= line["low"] <= line["value"] <= line["high"]
            assert line["grade"] in GRADES
            assert line["unit"] == "1"
    graded = [line["grade"] for line in record["measures"] if line["value"] is not None]
    assert record["grade"] == max(graded, key=GRADES.index)


@pytest.mark.parametrize("key", VIEWS, ids=str)
def test_checks_and_causes_are_whole(records, key: tuple[str, str]) -> None:
    assert records[key]["checks"]
    for check in records[key]["checks"]:
        assert {"id", "title", "why", "steps", "reading", "cautions", "source"} <= set(check)
        assert check["steps"]
        assert check["source"]
    for cause in records[key]["causes"]:
        assert cause["title"]
        assert cause["look_at"]
        assert cause["source"]


@pytest.mark.parametrize("key", VIEWS, ids=str)
def test_missing_views_are_those_required_less_the_one_shown(records, key: tuple[str, str]) -> None:
    part, view = key
    required = dict(PARTS[part].required_views)
    required[view] = required.get(view, 0) - 1
    wanted = sorted(name for name, count in required.items() for _ in range(count))
    assert sorted(records[key]["views_missing"]) == wanted


def test_same_photo_gives_the_same_report(grader: Grader, drawn_photos, records) -> None:
    for key, photo in drawn_photos.items():
        assert timeless(grader.grade(photo.path).to_dict()) == timeless(records[key])


def test_bytes_photo_and_picture_give_the_same_grade(grader: Grader, drawn_photos, records) -> None:
    key = "flame_cell", "face"
    path = drawn_photos[key].path
    photo = read_photo(path)
    for report in (grader.grade(path.read_bytes()), grader.grade(photo), grader.grade_image(photo.image)):
        assert report.to_dict()["measures"] == records[key]["measures"]


def test_picture_is_not_changed(grader: Grader, drawn_photos) -> None:
    image = drawn_photos["coupler", "end"].image.copy()
    before = image.copy()
    grader.grade_image(image)
    assert np.array_equal(image, before)


def test_two_threads_share_one_grader(grader: Grader, drawn_photos, records) -> None:
    keys = list(drawn_photos) * 3
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(lambda key: grader.grade(drawn_photos[key].path).to_dict(), keys))
    for key, answer in zip(keys, answers, strict=True):
        assert timeless(answer) == timeless(records[key])


@pytest.mark.parametrize("key", [("flame_cell", "face"), ("coupler", "side")], ids=str)
def test_eight_exif_orientations_give_one_grade(grader: Grader, drawn_photos, records, tmp_path: Path, key) -> None:
    """Handbook C8.4: the same photo saved with orientation 1 to 8."""
    upright = Image.fromarray(drawn_photos[key].image)
    back = {2: [0], 3: [3], 4: [1], 5: [5], 6: [2], 7: [6], 8: [4]}  # Pillow's transpose that stores it so
    answers = []
    for orientation in range(1, 9):
        stored = upright
        for method in back.get(orientation, []):
            stored = stored.transpose(Image.Transpose(method))
        exif = Image.Exif()
        exif[0x0112] = orientation
        path = tmp_path / f"{orientation}.png"
        stored.save(path, exif=exif)
        with Image.open(path) as image:
            assert np.array_equal(np.asarray(ImageOps.exif_transpose(image)), drawn_photos[key].image)
        report = grader.grade(path).to_dict()
        answers.append((report["grade"], report["possible_grades"], report["measures"], report["part"]))
    assert answers[0][0] == records[key]["grade"]
    assert all(answer == answers[0] for answer in answers)


def test_blurred_photo_is_unfit_and_gets_no_grade(grader: Grader, drawn_photos) -> None:
    image = cv2.GaussianBlur(drawn_photos["flame_cell", "face"].image, (0, 0), 9)
    record = grader.grade_image(image, part="flame_cell").to_dict()
    assert record["usable"] is False
    assert "blurred" in {fault["kind"] for fault in record["faults"]}
    assert all(set(fault) == {"kind", "value", "limit", "advice"} and fault["advice"] for fault in record["faults"])
    assert record["grade"] is None
    assert (record["possible_grades"], record["measures"], record["probabilities"]) == ([], [], {})


@pytest.mark.parametrize("colour", [(0, 0, 0), (127, 127, 127), (255, 255, 255), (10, 200, 30)])
def test_empty_picture_is_never_graded(grader: Grader, colour: tuple[int, int, int]) -> None:
    record = grader.grade_image(np.full((300, 400, 3), colour, np.uint8)).to_dict()
    assert record["usable"] is False
    assert record["grade"] is None
    assert record["refusal"] or record["faults"]


def test_refused_photo_names_no_part_and_what_can_be_judged(grader: Grader) -> None:
    rng = np.random.default_rng(2)
    record = grader.grade_image(rng.integers(0, 256, (300, 300, 3)).astype(np.uint8)).to_dict()
    assert record["part"]["name"] is None
    assert record["part"]["view"] is None
    assert all(spec.title in record["refusal"] for spec in PARTS.values())


def test_worst_view_counts_and_doubles_count_once(grader: Grader, drawn_photos, records) -> None:
    end, side = (drawn_photos["coupler", view].path for view in ("end", "side"))
    record = grader.grade_part([end, side, end]).to_dict()
    assert record["photo"] == f"{end.name}, {side.name}"
    assert record["part"]["view"] == "end, side"
    single = [records["coupler", view]["grade"] for view in ("end", "side")]
    assert GRADES.index(record["grade"]) >= max(GRADES.index(grade) for grade in single)
    assert sorted(record["views_missing"]) == ["end", "side"]
    alone = timeless(grader.grade_part([end, end]).to_dict())
    assert alone == timeless(records["coupler", "end"])


def test_photos_of_different_parts_are_not_joined(grader: Grader, drawn_photos) -> None:
    mixed = [drawn_photos["coupler", "end"].path, drawn_photos["flame_cell", "face"].path]
    record = grader.grade_part(mixed).to_dict()
    assert record["grade"] is None
    assert "different parts" in record["refusal"]


def test_grade_follows_limits_without_retraining(model_folder: Path, drawn_photos, records) -> None:
    """The same photo and the same network: only the numbers of the standard move."""
    for (part, view), photo in drawn_photos.items():
        measured = [line for line in records[part, view]["measures"] if line["value"] is not None]
        names = [line["name"] for line in measured]
        strict, lax = (_moved(part, names, factor) for factor in (1e-9, 1e3))
        worst, best = (Grader(model_folder, limits).grade(photo.path).to_dict() for limits in (strict, lax))
        assert (worst["grade"], best["grade"]) == ("replace", "serviceable")
        assert best["possible_grades"] == ["serviceable"]
        assert [line["value"] for line in best["measures"]] == [
            line["value"] for line in records[part, view]["measures"]
        ]
        assert len({worst["limits"]["sha256"], best["limits"]["sha256"], records[part, view]["limits"]["sha256"]}) == 3
        assert worst["model"] == best["model"]


def test_reference_of_another_part_changes_nothing(grader: Grader, drawn_photos, records) -> None:
    cell, end = drawn_photos["flame_cell", "face"], drawn_photos["coupler", "end"]
    assert timeless(grader.grade(cell.path, reference=end.path).to_dict()) == timeless(records["flame_cell", "face"])


def test_reference_of_the_same_part_is_taken(grader: Grader, drawn_photos) -> None:
    cell = drawn_photos["flame_cell", "face"]
    report = grader.grade(cell.path, reference=cell.path)
    assert report.usable
    assert report.grade in GRADES


def test_wrong_arguments_are_typed_errors(grader: Grader, drawn_photos, model_folder: Path, tmp_path: Path) -> None:
    path = drawn_photos["flame_cell", "face"].path
    with pytest.raises(UnknownPart):
        grader.grade(path, part="gasket")
    with pytest.raises(ValueError, match="at least one"):
        grader.grade_part([])
    with pytest.raises(NotAnImage):
        grader.grade(b"hello, this is text and no photo at all")
    record = json.loads((model_folder / "model.json").read_text("utf-8"))
    record.pop("calibration")
    (tmp_path / "model.json").write_text(json.dumps(record), "utf-8")
    (tmp_path / "model.onnx").write_bytes((model_folder / "model.onnx").read_bytes())
    with pytest.raises(ModelError, match="calibrat"):
        Grader(tmp_path)


def test_png_and_webp_of_one_picture_agree(grader: Grader, drawn_photos) -> None:
    answers = []
    for form, more in (("PNG", {}), ("WEBP", {"lossless": True})):
        file = io.BytesIO()
        Image.fromarray(drawn_photos["electrode", "side"].image).save(file, form, **more)
        answers.append(grader.grade(file.getvalue()).to_dict()["measures"])
    assert answers[0] == answers[1]
