"""Batches on real Dask workers: complete, none double, whatever dies."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import psutil
import pytest
from distributed import LocalCluster

from wearvision.bulk import spreading
from wearvision.bulk.again import RegradeWork
from wearvision.bulk.dask_worker import Batch
from wearvision.bulk.entries import Entry, list_photos
from wearvision.bulk.job import GradeWork
from wearvision.bulk.regrading import lines_of
from wearvision.bulk.spreading import grade_spread, regrade_spread
from wearvision.bulk.table import parquet_lines, to_parquet
from wearvision.errors import BulkError, ResultsError

POISON = '''
import os, signal
from wearvision.bulk.job import GradeWork

class Poison(GradeWork):
    """Ends its process under photos of one name."""
    def start(self):
        judge = super().start()
        def at(item):
            if item[1].name == "05.jpg":
                os.kill(os.getpid(), signal.SIGSEGV)
            return judge(item)
        return at
'''


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalCluster]:
    home = tmp_path_factory.mktemp("poison")
    (home / "poison_work.py").write_text(POISON, "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(home))
        patch.setenv("PYTHONPATH", str(home))
        with LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            local_directory=str(home),
            silence_logs=50,
        ) as found:
            yield found


@pytest.fixture
def spread(cluster: LocalCluster, work: GradeWork, tmp_path: Path) -> Any:
    def spread(folder: Path, out: str = "r.parquet", work: GradeWork = work, batch: int = 3) -> Any:
        listed = list_photos([str(folder)])
        return grade_spread(str(tmp_path / out), listed, work, cluster.scheduler_address, 2, batch)

    return spread


def records(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for part in sorted(out.glob("part-*")) for line in lines_of(part)]


def names(out: Path) -> list[str]:
    return sorted(record["photo"] for record in records(out))


TWELVE = [f"{number:02d}.jpg" for number in range(12)]


def test_results_are_those_of_the_grader_and_no_photo_is_graded_twice(
    spread: Any, photos: Path, tmp_path: Path, grader: Any, work: GradeWork
) -> None:
    """First run, second run, a photo more that shifts all batches, and other terms into the same folder."""
    out = tmp_path / "r.parquet"
    assert spread(photos).total == 12
    found = records(out)
    assert [record["photo"] for record in found] == TWELVE
    alone = json.loads(json.dumps(grader.grade(photos / "03.jpg").to_dict()))
    left_out = {"milliseconds", "checks", "causes", "cautions"}
    assert {name: found[3].get(name) for name in alone if name not in left_out} == {
        name: value for name, value in alone.items() if name not in left_out
    }
    again = spread(photos)
    assert (again.total, again.before) == (0, 12)
    shutil.copy(photos / "00.jpg", photos / "000.jpg")
    more = spread(photos)
    assert (more.total, more.before) == (1, 12)
    assert names(out) == sorted([*TWELVE, "000.jpg"])
    terms = replace(work.terms, part="coupler")
    with pytest.raises(ResultsError, match="another model, other limits"):
        spread(photos, work=GradeWork(terms, terms.id))


@pytest.mark.slow
def test_a_photo_that_kills_its_process_costs_itself_only(
    spread: Any, small: Path, work: GradeWork, tmp_path: Path
) -> None:
    from poison_work import Poison  # type: ignore[import-not-found]

    tally = spread(small, work=Poison(work.terms, work.id))
    assert dict(tally.errors) == {"worker_died": 1}
    found = records(tmp_path / "r.parquet")
    assert sorted(record["photo"].rpartition("/")[2] for record in found) == TWELVE
    assert [record["photo"][-6:] for record in found if "error" in record] == ["05.jpg"]


@pytest.mark.slow
@pytest.mark.parametrize("form", ["parquet", "jsonl"])
def test_results_are_graded_again_file_by_file(
    spread: Any, small: Path, work: GradeWork, tmp_path: Path, cluster: LocalCluster, form: str
) -> None:
    spread(small, f"r.{form}")
    again, out = RegradeWork(work.terms), str(tmp_path / f"n.{form}")
    for total, before in ((12, 0), (0, 4)):
        tally = regrade_spread(out, [str(tmp_path / f"r.{form}")], again, cluster.scheduler_address, 2)
        assert (tally.total, tally.before) == (total, before)
    old, new = records(tmp_path / f"r.{form}"), records(tmp_path / f"n.{form}")
    for record in new:
        assert record.pop("before")["grade"] == record["grade"]
    for record in (*old, *new):
        del record["source"]["terms"]
    assert new == old


def test_a_worker_with_another_model_or_program_is_told_apart(spread: Any, small: Path, work: GradeWork) -> None:
    with pytest.raises(BulkError, match="differs on this machine"):
        spread(small, work=replace(work, id="0" * 16))


def test_no_scheduler_is_told(work: GradeWork, small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreading, "CONNECT_S", 1)
    with pytest.raises(BulkError, match="No scheduler answers at tcp://127"):
        grade_spread(str(tmp_path / "r"), list_photos([str(small)]), work, "tcp://127.0.0.1:9", 1, 4)


@pytest.mark.slow
def test_workers_killed_at_random_moments_lose_nothing_and_double_nothing(
    small: Path, work: GradeWork, tmp_path: Path
) -> None:
    """Dask workers and the processes under them, killed for as long as there is work. Prints how many."""
    folder = tmp_path / "many"
    folder.mkdir()
    for number in range(120):
        os.link(small / TWELVE[number % 12], folder / f"{number:03d}.jpg")
    over, killed, rng = threading.Event(), Counter(), random.Random(11)
    out, done = tmp_path / "r.parquet", 0

    def killer() -> None:
        nonlocal done
        while not over.wait(0.2 + rng.random()):
            if (now := len(list(out.glob("part-*")))) == done:
                continue  # on a busy machine a worker needs longer to start than any fixed pause
            done = now
            for kind, word in (("worker", "spawn_main"), ("hand", "wearvision.bulk.child")):
                if (found := _running(word)) and rng.random() < 0.5:
                    os.kill(rng.choice(found), signal.SIGKILL)
                    killed[kind] += 1

    thread = threading.Thread(target=killer)
    thread.start()
    try:
        tally = grade_spread(str(out), list_photos([str(folder)]), work, "local", 2, 4)
    finally:
        over.set()
        thread.join()
    print(f"\n120 photos, killed {dict(killed)}, results {tally.total}, errors {dict(tally.errors)}")
    found = Counter(record["source"]["address"] for record in records(out))
    assert found == Counter(str(path) for path in folder.iterdir())
    assert killed["worker"] >= 2
    assert set(tally.errors) <= {"worker_died"}


def _running(word: str) -> list[int]:
    """Processes under this one with a word in their command line."""
    found = []
    for child in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):
            if any(word in part for part in child.cmdline()):
                found.append(child.pid)
    return found


def test_a_batch_has_one_name_whoever_works_it_out() -> None:
    """The same photos and terms: one name. Anything else: another."""
    entries = (Entry("a.jpg", 1, "2"), Entry("b.jpg", 3, "4"))
    name = Batch(0, entries).id("t")
    assert Batch(7, entries).id("t") == name
    others = [
        Batch(0, entries).id("u"),
        Batch(0, entries[:1]).id("t"),
        Batch(0, entries[::-1]).id("t"),
        Batch(0, (entries[0], replace(entries[1], version="5"))).id("t"),
    ]
    assert len({name, *others}) == 5


def test_a_row_becomes_the_report_again(grader: Any, drawn_photos: Any, tmp_path: Path) -> None:
    """All but the texts that follow from grade and measures."""
    from wearvision.regrade import with_basis

    made = [json.loads(json.dumps(with_basis(grader.grade(one.path)))) for one in drawn_photos.values()]
    made.append({"photo": "x.jpg", "usable": False, "error": {"code": "empty", "message": "m"}})
    made = [{**one, "source": {"address": "x", "size": None, "version": "", "terms": "t"}} for one in made]
    path = tmp_path / "x.parquet"
    path.write_bytes(to_parquet(json.dumps(one).encode() for one in made))
    for one, line in zip(made, parquet_lines(path), strict=True):
        assert json.loads(line) == {
            name: value for name, value in one.items() if name not in ("checks", "causes", "cautions")
        }


def test_a_full_disk_leaves_no_part_file_by_half(tmp_path: Path) -> None:
    """A limit on the size of files stands in for the disk; the system says the same at the same place."""
    code = (
        "import resource\nfrom wearvision.bulk.parts import Parts\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))\n"
        f"Parts.at({str(tmp_path / 'r.jsonl')!r}, make=True).commit('part-0-x', [b'x' * 50_000])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert "make room and run again" in done.stderr
    assert list((tmp_path / "r.jsonl").iterdir()) == []
