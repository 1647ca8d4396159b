"""Files of results graded again, by the command that people use."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from wearvision.bulk.results import read_records
from wearvision.cli import main

STRICT = "\n".join(
    f'id = "strict"\n[flame_cell.{name}]\nserviceable_below = 0.0001\nclean_from = 0.0002\nclean_to = 0.0003\n'
    "replace_from = 0.0004\n"
    for name in ["haze"]
)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def graded(small: Path, model_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("graded") / "r.jsonl"
    (out.parent / "bad.jpg").touch()
    result = run("grade", small, out.parent / "bad.jpg", "--model", model_folder, "--out", out, "--cores", 2)
    assert result.exit_code == 1, result.output
    assert "13 photos; 1 could not be judged: 1 empty" in result.stderr
    return out


@pytest.fixture
def strict(tmp_path: Path) -> Path:
    path = tmp_path / "strict.toml"
    path.write_text(STRICT, "utf-8")
    return path


def plain(record: dict[str, Any]) -> dict[str, Any]:
    """A result without what says when and under what it was made."""
    return {
        name: {key: said for key, said in value.items() if key != "terms"} if name == "source" else value
        for name, value in record.items()
        if name not in ("before", "milliseconds")
    }


def test_the_same_limits_and_model_give_the_same_results(graded: Path, model_folder: Path, tmp_path: Path) -> None:
    result = run("regrade", graded, "--model", model_folder, "--out", tmp_path / "n.jsonl", "--cores", 1)
    assert "0 of 12 grades change" in result.stdout
    assert [plain(one) for one in read_records(tmp_path / "n.jsonl")] == [plain(one) for one in read_records(graded)]


def test_other_limits_are_counted_and_kept_beside_the_earlier_grade(
    graded: Path, model_folder: Path, strict: Path, tmp_path: Path
) -> None:
    out = tmp_path / "n.jsonl"
    result = run("regrade", graded, "--model", model_folder, "--limits", strict, "--out", out, "--cores", 1)
    new = [one for one in read_records(out) if "error" not in one]
    changed = [one for one in new if one["grade"] != one["before"]["grade"]]
    assert f"{len(changed)} of {len(new)} grades change" in result.stdout
    assert {one["limits"]["id"] for one in new} == {"strict"}
    before = {one["photo"]: one["grade"] for one in read_records(graded) if "error" not in one}
    assert {one["photo"]: one["before"]["grade"] for one in new} == before
    before_that = out.read_bytes()
    run("regrade", graded, "--model", model_folder, "--limits", strict, "--out", out, "--cores", 1)
    assert out.read_bytes() == before_that


def test_it_goes_on_after_a_stop_and_refuses_other_results(
    graded: Path, model_folder: Path, strict: Path, tmp_path: Path
) -> None:
    out = tmp_path / "n.jsonl"
    words = ["regrade", graded, "--model", model_folder, "--limits", strict, "--out", out, "--cores", 1]
    run(*words)
    whole = out.read_bytes()
    out.write_bytes(whole[: len(whole) // 2])
    run(*words)
    assert out.read_bytes() == whole
    other = tmp_path / "other.jsonl"
    other.write_bytes(b"".join(reversed(graded.read_bytes().splitlines(keepends=True))))
    assert "was made from other results" in run(*[other if word == graded else word for word in words]).stderr
    assert "give another --out" in run("regrade", graded, "--out", graded).stderr
    assert out.read_bytes() == whole


def test_another_model_looks_at_the_photos_again_where_they_lie_now(
    graded: Path, small: Path, model_folder: Path, tmp_path: Path
) -> None:
    other = Path(shutil.copytree(model_folder, tmp_path / "other"))
    record = json.loads((other / "model.json").read_text("utf-8"))
    (other / "model.json").write_text(json.dumps({**record, "id": "other"}), "utf-8")
    moved = Path(shutil.copytree(small, tmp_path / "moved"))
    (moved / "00.jpg").unlink()
    shutil.copy(moved / "02.jpg", moved / "01.jpg")
    out = tmp_path / "n.jsonl"
    result = run("regrade", graded, "--model", other, "--photos", moved, "--out", out, "--cores", 1)
    assert result.exit_code == 1
    new = {one["photo"]: one for one in read_records(out)}
    assert new["00.jpg"]["error"]["code"] == "unreadable_photo"
    assert "other bytes" in new["01.jpg"]["error"]["message"]
    old = {one["photo"]: one for one in read_records(graded)}
    for name in ("02.jpg", "11.jpg"):
        assert new[name]["model"]["id"] == "other"
        assert new[name]["grade"] == old[name]["grade"] == new[name]["before"]["grade"]
        assert new[name]["source"]["address"] == str(moved / name)
    assert "0 of 10 grades change" in result.stdout


HOSTILE = [
    b"no json", b"[]", b"{}", b"\xff\xfe", b"[" * 5000, b'{"photo": 1, "error": 7, "source": []}',
    b'{"photo": "a", "usable": true, "grade": 1, "possible_grades": 1, "probabilities": 1, "model": "x", "limits": 1}',
    b'{"photo": "a", "usable": true, "grade": 1, "possible_grades": 1, "probabilities": 1, "model": {"id": "../.."},'
    b' "limits": 1, "basis": [1]}',
]  # fmt: skip


def test_lines_of_anything_are_told_one_by_one_and_end_nothing(
    graded: Path, model_folder: Path, tmp_path: Path
) -> None:
    mixed, out = tmp_path / "mixed.jsonl", tmp_path / "n.jsonl"
    mixed.write_bytes(b"\n".join([*HOSTILE, graded.read_bytes()]))
    for _ in range(2):
        result = run("regrade", mixed, "--out", out)
        assert result.exit_code == 1, result.output
        assert "no_basis" in result.stderr
    found = list(read_records(out))
    assert len(found) == len(HOSTILE) + 13
    assert all("error" in one for one in found[: len(HOSTILE)])
