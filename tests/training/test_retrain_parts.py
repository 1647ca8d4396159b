"""What a training stands on: progress, files, worker processes, calibration, figures."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.calibration import Calibration
from wearvision.network import ModelFolder
from wearvision.sighting import Estimate
from wearvision_training.calibrate import Seen
from wearvision_training.retrain import figures
from wearvision_training.retrain.config import Config
from wearvision_training.retrain.hands import Hands
from wearvision_training.retrain.progress import STOP, Failed, Progress, Stopped
from wearvision_training.retrain.site_calibration import LEAST_PHOTOS, WIDENED, Held, recalibrated, score
from wearvision_training.retrain.store import bind, locked, read_json, write_json

BASE: dict[str, Any] = dict(ModelFolder.open("mixed-2").record["calibration"])


def lines(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (folder / "progress.jsonl").read_text("utf-8").splitlines()]


def test_progress_writes_first_and_last_of_a_stage_and_what_lies_between_now_and_then(tmp_path: Path) -> None:
    progress = Progress(tmp_path)
    for done in range(101):
        progress.step("features", done, 100, "looking")
    progress.step("heads", 0, 1)
    said = lines(tmp_path)
    assert (said[0]["stage"], said[0]["done"], said[0]["of"], said[0]["say"]) == ("features", 0, 100, "looking")
    assert said[-2]["done"] == 100
    assert len(said) < 10
    assert set(said[0]) == {"at", "stage", "done", "of", "say"}
    assert progress.seconds["features"] >= 0


def test_a_torn_line_does_not_spoil_the_next(tmp_path: Path) -> None:
    (tmp_path / "progress.jsonl").write_text('{"at": "2026', "utf-8")
    Progress(tmp_path).step("reading", 1, 1)
    assert json.loads((tmp_path / "progress.jsonl").read_text("utf-8").splitlines()[1])["stage"] == "reading"


def test_stop_file_and_signal_stop_at_the_next_step(tmp_path: Path) -> None:
    progress = Progress(tmp_path)
    (tmp_path / STOP).touch()
    with pytest.raises(Stopped):
        progress.step("drawing", 1, 9)
    progress.stopped()
    assert not (tmp_path / STOP).exists()
    assert "goes on" in lines(tmp_path)[-1]["say"]
    asked = threading.Event()
    asked.set()
    with pytest.raises(Stopped):
        Progress(tmp_path, asked).check()


def test_a_folder_holds_one_training(tmp_path: Path) -> None:
    bind(tmp_path / "settings.json", {"seed": 1})
    bind(tmp_path / "settings.json", {"seed": 1})
    with pytest.raises(Failed, match="seed 1"):
        bind(tmp_path / "settings.json", {"seed": 2})
    with locked(tmp_path), pytest.raises(Failed, match="at work"), locked(tmp_path):
        pass
    with locked(tmp_path):
        pass


def test_a_write_that_fails_leaves_the_file_before(tmp_path: Path) -> None:
    write_json(tmp_path / "a.json", {"kept": True})
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "a.json", {"value": math.nan})
    assert read_json(tmp_path / "a.json") == {"kept": True}
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]
    assert read_json(tmp_path / "b.json") is None


def test_hands_keep_the_order_and_hand_on_errors() -> None:
    with Hands(2) as hands:
        assert list(hands.each(abs, [-3, 2, -1, 0, -7])) == [3, 2, 1, 0, 7]
        with pytest.raises(ValueError, match="invalid literal"):
            list(hands.each(int, ["1", "x", "2"]))
        assert list(hands.each(abs, [-5])) == [5]


def test_a_worker_that_is_ended_is_said(tmp_path: Path) -> None:
    with Hands(2) as hands, pytest.raises(Failed, match="ended"):
        list(hands.each(os._exit, [9]))


def test_workers_leave_with_the_process_that_started_them(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "import os, time\n"
        "from wearvision_training.retrain.hands import Hands\n"
        "if __name__ == '__main__':\n"
        "    with Hands(2) as hands:\n"
        "        list(hands.each(abs, [1, 2, 3]))\n"
        "        print(*hands._pool._processes, flush=True)\n"
        "        time.sleep(600)\n",
        "utf-8",
    )
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        workers = [int(number) for number in parent.stdout.readline().split()]
        parent.kill()
        parent.wait()
    assert len(workers) == 2
    until = time.monotonic() + 20
    while any(Path(f"/proc/{worker}").exists() for worker in workers) and time.monotonic() < until:
        time.sleep(0.2)
    assert not any(Path(f"/proc/{worker}").exists() for worker in workers)


@pytest.mark.parametrize("wrong", [{"id": "Über"}, {"id": "../x"}, {"copies": -1}, {"device": "tpu"}])
def test_config_says_what_is_wrong(wrong: dict[str, Any]) -> None:
    given_: dict[str, Any] = {"folder": Path("a"), "base": "mixed-2", "id": "site-1", "out": Path("b")}
    with pytest.raises(ValueError, match=r"id|negative|device"):
        Config(**{**given_, **wrong})


def held(part: str, value: float, low: float, high: float, name: str = "haze", spread: float = 0.05) -> Held:
    truth = {"part": part, "view": "face", "measures": {name: (low + high) / 2}}
    seen = Seen(truth, part, 0.0, 9.0, "face", {}, {name: Estimate(value, spread, 0.5)}, {})
    return Held(seen, {name: (low, high)})


def test_score_is_nothing_inside_the_bounds_and_the_distance_to_the_nearer_end_outside() -> None:
    read = Calibration.read(BASE)
    entry = read.entries["flame_cell.haze"]
    scale = 0.05 + entry.floor
    assert score(held("flame_cell", 0.25, 0.1, 0.4), read) == 0.0
    assert score(held("flame_cell", 0.05, 0.1, 0.4), read) == pytest.approx(0.05 / scale / entry.above)
    assert score(held("flame_cell", 0.5, 0.1, 0.4), read) == pytest.approx(0.1 / scale / entry.below)
    assert score(held("flame_cell", 0.5, 0.1, 0.4, name="tip_loss"), read) is None


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 0.5), st.floats(0, 1))
@settings(max_examples=60)
def test_the_interval_reaches_the_bounds_exactly_when_the_factor_reaches_the_score(
    value: float, low: float, width: float, factor: float
) -> None:
    read = Calibration.read({**BASE, "joint": {**BASE["joint"], "flame_cell": factor * 3}})
    one = held("flame_cell", value, low, low + width)
    found = read.interval("flame_cell.haze", read.entries["flame_cell.haze"].blend(one.seen.direct["haze"], None))
    needed = score(one, read)
    assert needed is not None
    if abs(needed - factor * 3) > 1e-6:
        assert (found.high >= low and found.low <= low + width) == (factor * 3 > needed)


def test_few_photos_keep_the_released_intervals_widened() -> None:
    some = [held("flame_cell", 0.25, 0.1, 0.4)] * (LEAST_PHOTOS - 1)
    block = recalibrated(BASE, some, [])
    assert block["parts"]["flame_cell"]["used"] == "released, widened"
    assert block["parts"]["flame_cell"]["photos"] == LEAST_PHOTOS - 1
    assert block["joint"]["flame_cell"] == pytest.approx(BASE["joint"]["flame_cell"] * WIDENED, rel=1e-4)
    assert block["calibrated_on"] == "rendered"
    assert block["refusal"] == BASE["refusal"]
    assert block["measures"] == BASE["measures"]
    # One that lies far outside widens them further.
    far = held("flame_cell", 0.0, 0.9, 1.0)
    needed = score(far, Calibration.read(BASE))
    assert recalibrated(BASE, [*some[1:], far], [])["joint"]["flame_cell"] == pytest.approx(needed, rel=1e-4)


def test_enough_photos_set_the_factor_but_never_narrow_what_bounds_cannot_tell() -> None:
    inside = [held("flame_cell", 0.25, 0.1, 0.4)] * LEAST_PHOTOS
    block = recalibrated(BASE, inside, [])
    assert block["parts"]["flame_cell"]["used"] == "site"
    assert block["joint"]["flame_cell"] == BASE["joint"]["flame_cell"]
    # Of 19 photos the conformal quantile at 95 % is the largest score.
    far = held("flame_cell", 0.0, 0.9, 1.0)
    block = recalibrated(BASE, [*inside[1:], far], [])
    assert block["joint"]["flame_cell"] == pytest.approx(score(far, Calibration.read(BASE)), rel=1e-4)
    assert block["calibrated_on"] == "rendered"  # two parts have no photos
    Calibration.read(block)


def test_drawn_pictures_of_new_designs_widen_too() -> None:
    inside = [held("flame_cell", 0.25, 0.1, 0.4)] * LEAST_PHOTOS
    off = [held("flame_cell", 0.0, 0.9, 0.9)] * LEAST_PHOTOS
    needed = score(off[0], Calibration.read(BASE))
    block = recalibrated(BASE, inside, off)
    assert block["joint"]["flame_cell"] == pytest.approx(needed, rel=1e-4)


def test_split_conformal_covers_the_bounds_at_the_stated_rate() -> None:
    # By simulation: 200 sites of 40 photos each, one more photo to cover; the rate may be missed by chance alone.
    rng = np.random.default_rng(3)
    read, hits = Calibration.read({**BASE, "joint": {**BASE["joint"], "flame_cell": 1e-6}}), 0
    base = {**BASE, "joint": {**BASE["joint"], "flame_cell": 1e-6}}
    for _ in range(200):
        truths = rng.uniform(0, 0.6, 41)
        said = np.clip(truths + rng.normal(0, 0.15, 41), 0, 1)
        some = [held("flame_cell", v, max(0.0, t - 0.05), t + 0.05) for v, t in zip(said, truths, strict=True)]
        factor = recalibrated(base, some[:40], [])["joint"]["flame_cell"]
        last = score(some[40], read)
        assert last is not None
        hits += last <= factor
    assert 0.91 <= hits / 200 <= 0.99


def case(part: str, grade: str, accepted: list[str], said: str | None, possible: list[str]) -> tuple[Any, Any]:
    truth = {"part": part, "view": "face", "measures": {}, "grade": grade, "acceptable_grades": accepted}
    report = {"grade": said, "possible_grades": possible, "refusal": None if said else "no", "measures": []}
    return truth | {"borderline": len(accepted) > 1}, report


def test_figures_have_the_form_of_the_report_and_count_what_was_turned_away() -> None:
    every = ["serviceable", "clean-and-reuse", "replace"]
    old = [
        case("flame_cell", "replace", ["replace"], "serviceable", every),
        case("flame_cell", "serviceable", ["serviceable"], "serviceable", every[:1]),
        case("coupler", "replace", ["clean-and-reuse", "replace"], None, []),
        case("none", None, [], None, []),  # type: ignore[arg-type]
    ]
    new = [case("x", "", [], said, possible)[1] for said, possible in
           (("replace", ["replace"]), (None, []), ("clean-and-reuse", ["clean-and-reuse"]), (None, []))]  # fmt: skip
    truths = [truth for truth, _ in old]
    pairs = figures.pairs(truths, [report for _, report in old], new)
    assert len(pairs) == 3
    found = figures.by_part(pairs)
    assert set(found) == {"all", "flame_cell", "electrode", "coupler"}
    both = found["all"]
    assert both["n"] == 3
    assert both["old"]["missed"]["hits"] == 1
    assert both["old"]["missed"]["of"] == 1
    assert {"value", "low", "high", "of", "upper"} <= set(both["old"]["missed"])
    assert both["new"]["missed"]["hits"] == 0
    assert both["old"]["refused"]["value"] == pytest.approx(1 / 3)
    assert both["new"]["in_set"]["value"] == 1.0
    assert both["new"]["set_size"] == 1.0
    assert both["mcnemar"] == {"only_new": 2, "only_old": 1, "p": 1.0}
    assert found["electrode"]["old"]["macro_f1"]["value"] is None
    assert found["electrode"]["old"]["set_size"] is None
    assert figures.missed(pairs, ["a", "b", "c", "d"]) == [
        {"sha256": "a", "part": "flame_cell", "truth": "replace", "old": "serviceable", "new": "replace"}
    ]
    assert both["f1_difference"]["value"] == pytest.approx(
        both["new"]["macro_f1"]["value"] - both["old"]["macro_f1"]["value"]
    )
    json.dumps(found, allow_nan=False)
