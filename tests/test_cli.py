"""The command line: exit status, order, and what lands on which stream."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from wearvision.bulk.entries import SUFFIXES
from wearvision.cli import PART_NAMES, main
from wearvision.parts import PARTS
from wearvision.standard import CAUTIONS, GRADES, checks_for
from wearvision.standard.counter import checks_at_counter

CELL, SIDE, END = ("flame_cell", "face"), ("coupler", "side"), ("coupler", "end")


def run(*arguments: object, stdin: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments], input=stdin)


def lines(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture(scope="module")
def grade(model_folder: Path):
    return lambda *arguments: run("grade", "--model", model_folder, *arguments)


@pytest.fixture
def text_file(tmp_path: Path) -> Path:
    path = tmp_path / "notes.jpg"
    path.write_text("not a picture")
    return path


def test_part_names_are_the_registry() -> None:
    assert tuple(PARTS) == PART_NAMES


def test_json_is_one_object_a_line_in_the_order_given(grade, drawn_photos, text_file: Path) -> None:
    given = [drawn_photos[END].path, text_file, drawn_photos[CELL].path]
    result = grade("--json", *given)
    found = lines(result)
    assert result.exit_code == 1
    assert [Path(line["photo"]).name for line in found] == [path.name for path in given]
    assert found[1]["error"]["code"] == "not_an_image"
    assert found[1]["error"]["message"]
    assert found[1]["usable"] is False
    assert [line.get("grade") in GRADES for line in found] == [True, False, True]


def test_exit_status_is_zero_when_all_were_read_though_one_is_no_part(grade, drawn_photos, tmp_path: Path) -> None:
    noise = tmp_path / "noise.png"
    Image.fromarray(np.random.default_rng(1).integers(0, 256, (200, 200, 3)).astype(np.uint8)).save(noise)
    result = grade("--json", noise, drawn_photos[CELL].path)
    assert result.exit_code == 0
    assert [line["grade"] is None for line in lines(result)] == [True, False]


def test_without_json_errors_go_to_standard_error_and_the_table_to_output(grade, drawn_photos, text_file: Path) -> None:
    result = grade(text_file, drawn_photos[CELL].path)
    assert result.exit_code == 1
    assert "notes.jpg" in result.stderr
    assert "notes.jpg" not in result.stdout
    for words in (drawn_photos[CELL].path.name, "clouding", "Check by hand", *CAUTIONS):
        assert " ".join(words.split()[:4]) in " ".join(result.stdout.split())
    assert "Check by hand" not in grade("--brief", drawn_photos[CELL].path).stdout


def test_folder_stands_for_its_photos_in_order(grade, drawn_photos, tmp_path: Path) -> None:
    for name in ("b.jpg", "a.JPG", "c.txt"):
        shutil.copy(drawn_photos[CELL].path, tmp_path / name)
    assert [line["photo"] for line in lines(grade("--json", tmp_path))] == ["a.JPG", "b.jpg"]


def test_folder_without_photos_is_wrong_usage(grade, tmp_path: Path) -> None:
    result = grade("--json", tmp_path)
    assert result.exit_code == 2
    assert all(suffix in result.stderr for suffix in SUFFIXES)


def test_together_gives_one_report_and_apart_two(grade, drawn_photos) -> None:
    photos = [drawn_photos[END].path, drawn_photos[SIDE].path]
    joined = lines(grade("--json", "--together", *photos))
    assert len(joined) == 1
    assert joined[0]["part"]["view"] == "end, side"
    assert sorted(joined[0]["views_missing"]) == ["end", "side"]
    assert len(lines(grade("--json", *photos))) == 2


def test_limits_file_changes_the_grade(grade, drawn_photos, tmp_path: Path) -> None:
    path = drawn_photos[CELL].path
    before = lines(grade("--json", path))[0]
    worst = max((line for line in before["measures"] if line["value"]), key=lambda line: line["value"])
    value, row = worst["value"], ""
    if before["grade"] == "replace":
        marks = {line["name"]: line for line in before["measures"] if line["grade"] == "replace"}
        keep = {"serviceable_below": 8.0, "replace_from": 9.0}
        for name in marks:
            row += f"[flame_cell.{name}]\n" + _table("flame_cell", name, keep)
    else:
        row = f"[flame_cell.{worst['name']}]\n" + _table("flame_cell", worst["name"], {"replace_from": value / 2})
    site = tmp_path / "site.toml"
    site.write_text(f'id = "site"\n{row}', "utf-8")
    after = lines(grade("--json", "--limits", site, path))[0]
    assert after["grade"] != before["grade"]
    assert after["limits"]["id"] == "site"
    assert after["limits"]["sha256"] != before["limits"]["sha256"]
    assert [line["value"] for line in after["measures"]] == [line["value"] for line in before["measures"]]


def _table(part: str, measure: str, wanted: dict[str, float]) -> str:
    """Every threshold of a row, scaled so that its last one is where it is wanted."""
    from wearvision.standard import load_limits

    row = load_limits().row(part, measure)
    keys = ("serviceable_below", "clean_from", "clean_to", "replace_from")
    values = {key: getattr(row, key) for key in keys if getattr(row, key) is not None}
    factor = wanted["replace_from"] / max(values.values())
    return "".join(f"{key} = {value * factor!r}\n" for key, value in values.items())


@pytest.mark.parametrize(
    "arguments",
    [["--limits", "missing.toml"], ["--part", "gasket"], ["--model", "nowhere-9"], ["--reference", "missing.jpg"]],
)
def test_wrong_usage_is_exit_two_with_one_message(grade, drawn_photos, arguments: list[str]) -> None:
    result = grade(*arguments, drawn_photos[CELL].path)
    assert result.exit_code == 2
    assert "Error" in result.stderr
    assert "Traceback" not in result.output


def test_no_photo_at_all_is_wrong_usage() -> None:
    assert run("grade").exit_code == 2


def test_overlays_are_pictures_one_a_photo(grade, drawn_photos, tmp_path: Path) -> None:
    folder, odd = tmp_path / "why" / "here", tmp_path / "a, b.jpg"
    shutil.copy(drawn_photos[CELL].path, odd)
    assert grade("--json", "--overlay", folder, odd, drawn_photos[END].path).exit_code == 0
    files = sorted(folder.iterdir())
    assert [file.name for file in files] == ["001-a, b.png", "002-coupler-end.png"]
    for file in files:
        with Image.open(file) as picture:
            picture.load()
            assert (picture.format, picture.size, picture.mode) == ("PNG", (1360, 720), "RGB")


def test_overlays_of_photos_of_one_name_are_kept_apart(grade, drawn_photos, tmp_path: Path) -> None:
    photos = [tmp_path / str(number) / "photo.jpg" for number in range(2)]
    for path, key in zip(photos, (END, SIDE), strict=True):
        path.parent.mkdir()
        shutil.copy(drawn_photos[key].path, path)
    grade("--json", "--together", "--overlay", tmp_path / "why", *photos)
    assert len(list((tmp_path / "why").iterdir())) == 2


@pytest.mark.parametrize("part", PART_NAMES)
def test_checks_are_printed_in_full(part: str) -> None:
    text = " ".join(run("checks", part).stdout.split())
    assert all(check.id in text for check in checks_for(part))
    found = lines(run("checks", part, "--json"))
    assert [line["id"] for line in found] == [check.id for check in checks_for(part)]


@pytest.mark.parametrize("part", PART_NAMES)
def test_checks_at_the_counter_are_printed_with_what_is_entered(part: str) -> None:
    wanted = checks_at_counter(part)
    text = " ".join(run("checks", part, "--counter").stdout.split())
    assert all(f"[{check.id}]" in text and all(one.key in text for one in check.fields) for check in wanted)
    assert [line["id"] for line in lines(run("checks", part, "--counter", "--json"))] == [check.id for check in wanted]
    assert run("checks", part, "--counter", "--grade", "replace").exit_code == 2


def test_confirm_reads_a_report_and_a_reading(grade, drawn_photos) -> None:
    report = grade("--json", drawn_photos[CELL].path).stdout
    result = run("confirm", "-", "cell-lit=650", "--json", stdin=report)
    assert result.exit_code == 0
    assert json.loads(result.stdout)["standing"]
    told = run("confirm", "-", "cell-lit=650", stdin=report)
    assert "cell-lit" in told.stdout


@pytest.mark.parametrize("report", ["[]", "", '"x"', "3", "null", "{}", "{"])
def test_confirm_of_something_else_is_wrong_usage(report: str) -> None:
    result = run("confirm", "-", "cell-lit=650", stdin=report)
    assert result.exit_code == 2
    assert result.stdout == ""


@pytest.mark.parametrize("reading", ["cell-lit", "no-such-check=3", "cell-lit=nan"])
def test_confirm_refuses_what_is_no_reading(grade, drawn_photos, reading: str) -> None:
    report = grade("--json", drawn_photos[CELL].path).stdout
    assert run("confirm", "-", reading, stdin=report).exit_code == 2


def test_scale_card_is_a_pdf(tmp_path: Path) -> None:
    assert run("scale-card", tmp_path / "card.pdf").exit_code == 0
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")
    assert run("scale-card", tmp_path / "no" / "folder" / "card.pdf").exit_code == 2


def test_grading_loads_no_training_library(model_folder: Path, drawn_photos) -> None:
    code = (
        "import sys\nfrom wearvision.cli import main\n"
        f"words = ['grade', '--json', '--model', {str(model_folder)!r}, {str(drawn_photos[CELL].path)!r}]\n"
        "main(words, standalone_mode=False)\n"
        "heavy = {'torch', 'timm', 'torchvision', 'scipy', 'skimage', 'sklearn'}\n"
        "heavy |= {'wearvision_training', 'wearvision_api'}\n"
        "sys.exit(str(sorted(heavy & set(sys.modules))) if heavy & set(sys.modules) else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["part"]["name"] == "flame_cell"


def test_return_tags_are_a_pdf_and_a_wrong_number_is_wrong_usage(tmp_path: Path) -> None:
    out = tmp_path / "tags.pdf"
    assert run("return-tag", "26-00042-33", "26-00043-30", "--out", out).exit_code == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert run("return-tag", "26-00042-34", "--out", tmp_path / "wrong.pdf").exit_code == 2
    assert not (tmp_path / "wrong.pdf").exists()
    assert run("return-tag", "26-00042-33", "--out", tmp_path / "no" / "folder" / "tag.pdf").exit_code == 2
