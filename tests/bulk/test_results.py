"""Files of results: whole lines only, gone on with after a stop, never doubled."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from wearvision.bulk.entries import Entry, list_photos
from wearvision.bulk.job import GradeWork
from wearvision.bulk.local import grade_into
from wearvision.bulk.results import ResultsFile, read_records
from wearvision.bulk.tally import Tally
from wearvision.errors import ResultsError
from wearvision.standard import GRADES


@pytest.fixture(scope="module")
def first_run(small: Path, model_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of the twelve small photos."""
    from wearvision.bulk.job import Terms
    from wearvision.standard import load_limits

    terms = Terms(load_limits(), str(model_folder))
    out = tmp_path_factory.mktemp("results") / "r.jsonl"
    grade_into(out, list_photos([str(small)]), GradeWork(terms, terms.id), 2)
    return out


@pytest.fixture
def out(first_run: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(first_run, tmp_path / "r.jsonl"))


def go_on(out: Path, folder: Path, work: GradeWork, **other: object) -> Tally:
    return grade_into(out, list_photos([str(folder)]), work, 2, **other)  # type: ignore[arg-type]


def names(out: Path) -> list[str]:
    return [record["photo"] for record in read_records(out)]


def without_times(path: Path) -> list[dict[str, object]]:
    return [{name: value for name, value in one.items() if name != "milliseconds"} for one in read_records(path)]


def test_results_are_those_of_the_grader_in_the_order_of_the_list(first_run: Path, small: Path, grader) -> None:
    records = list(read_records(first_run))
    assert [record["photo"] for record in records] == [f"{number:02d}.jpg" for number in range(12)]
    alone = json.loads(json.dumps(grader.grade(small / "03.jpg").to_dict()))
    assert {name: records[3][name] for name in alone if name != "milliseconds"} == {
        name: value for name, value in alone.items() if name != "milliseconds"
    }
    assert any(record["grade"] in GRADES for record in records)


def test_nothing_is_graded_twice(out: Path, small: Path, work: GradeWork) -> None:
    before = out.read_bytes()
    tally = go_on(out, small, work)
    assert (tally.total, tally.before) == (0, 12)
    assert out.read_bytes() == before


@pytest.mark.parametrize("cut", [1, 700, 20_000])
def test_a_file_broken_off_anywhere_is_mended_and_finished(out: Path, small: Path, work: GradeWork, cut: int) -> None:
    whole = without_times(out)
    data = out.read_bytes()
    out.write_bytes(data[:-cut])
    tally = go_on(out, small, work)
    assert tally.total + tally.before == 12
    assert tally.total >= 1
    assert without_times(out) == whole


def test_a_changed_and_a_new_photo_are_graded_and_no_other(out: Path, small: Path, work: GradeWork) -> None:
    new = small / "99.jpg"
    try:
        shutil.copy(small / "00.jpg", new)
        assert go_on(out, small, work).total == 1
    finally:
        new.unlink()
    assert names(out)[-1] == "99.jpg"


def test_what_cannot_be_read_is_told_at_the_end_and_stops_nothing(
    photos: Path, work: GradeWork, tmp_path: Path
) -> None:
    (photos / "empty.jpg").touch()
    (photos / "folder.jpg").mkdir()
    (photos / "loop.jpg").symlink_to("loop.jpg")
    (photos / "text.jpg").write_text("no picture")
    with (photos / "huge.jpg").open("wb") as file:
        file.truncate(200 * 2**20)
    os.rename(photos / "00.jpg", os.fsencode(photos) + b"/\xff.jpg")  # noqa: PTH104
    (photos / "01.jpg").rename(photos / "line\nbreak.jpg")
    out = tmp_path / "r.jsonl"
    tally = go_on(out, photos, work)
    records = list(read_records(out))
    assert (tally.total, tally.failed, len(records)) == (17, 5, 17)
    codes = {record["photo"].rpartition("/")[2]: record["error"]["code"] for record in records if "error" in record}
    assert codes == {
        "empty.jpg": "empty",
        "folder.jpg": "unreadable_photo",
        "huge.jpg": "too_large",
        "loop.jpg": "unreadable_photo",
        "text.jpg": "not_an_image",
    }
    assert {"\\xff.jpg", "line\nbreak.jpg"} & {record["photo"] for record in records} == {"line\nbreak.jpg"}
    again = go_on(out, photos, work)
    assert (again.total, again.before, again.failed) == (0, 17, 5)


def test_other_terms_do_not_mix_and_say_why(out: Path, small: Path, work: GradeWork) -> None:
    terms = replace(work.terms, part="coupler")
    with pytest.raises(ResultsError, match="another model, other limits"):
        go_on(out, small, GradeWork(terms, terms.id))


@pytest.mark.parametrize("text", ["notes\nof mine", "notes", '{"name": 1}\n'])
def test_a_file_of_something_else_is_left_as_it_is(tmp_path: Path, text: str) -> None:
    path = tmp_path / "notes.txt"
    path.write_text(text, "utf-8")
    with pytest.raises(ResultsError, match="left as it is"):
        ResultsFile(path)
    assert path.read_text("utf-8") == text


def test_two_runs_do_not_write_into_one_file(tmp_path: Path) -> None:
    with ResultsFile(tmp_path / "r.jsonl"), pytest.raises(ResultsError, match="Another process writes"):
        ResultsFile(tmp_path / "r.jsonl")


def test_a_stop_keeps_what_is_done_and_the_next_run_adds_the_rest(small: Path, work: GradeWork, tmp_path: Path) -> None:
    out, stop = tmp_path / "r.jsonl", threading.Event()

    def listed() -> Iterator[Entry]:
        for number, entry in enumerate(list_photos([str(small)])):
            if number == 6:
                stop.set()
            yield entry

    first = grade_into(out, listed(), work, 2, stop=stop)
    assert first.total < 12
    assert len(names(out)) == first.total
    go_on(out, small, work)
    assert names(out) == [f"{number:02d}.jpg" for number in range(12)]


def test_a_full_disk_is_told_and_leaves_whole_lines_only(tmp_path: Path) -> None:
    """A limit on the size of files stands in for the disk; the system says the same at the same place."""
    out = tmp_path / "r.jsonl"
    code = (
        "import resource, sys\nfrom pathlib import Path\nfrom wearvision.bulk.results import ResultsFile\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))\n"
        f"with ResultsFile(Path({str(out)!r})) as file:\n"
        "    while True: file.append(b'{\"photo\": \"' + b'x' * 980 + b'\"}\\n')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert "make room and run the same command again" in done.stderr
    assert len(list(read_records(out))) == 10
    assert out.read_bytes().endswith(b"}\n")
