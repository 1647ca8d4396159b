"""The changes by which a part to be replaced might be passed off, against what they promise of themselves."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from wearvision.network import Window
from wearvision_training.assessment.answers import Case
from wearvision_training.assessment.attack import hidden, wear_seen
from wearvision_training.assessment.nudges import PLAIN, _best, _row, nudges_table
from wearvision_training.network import DEVIATION, MEAN, WearNetwork

PICTURE = np.random.default_rng(3).integers(0, 256, (96, 120, 3)).astype(np.uint8)


@pytest.mark.parametrize("name", PLAIN)
def test_plain_changes_give_pictures_and_leave_the_given_one(name: str) -> None:
    before = PICTURE.copy()
    changed = PLAIN[name](PICTURE)
    assert changed.dtype == np.uint8
    assert changed.ndim == 3
    assert min(changed.shape[:2]) > 64
    assert np.array_equal(before, PICTURE)


@pytest.mark.parametrize("codes", [1, 8])
def test_gradient_stays_within_its_bound_and_lowers_what_is_seen(codes: int) -> None:
    torch.manual_seed(1)
    network = WearNetwork(pretrained=None).eval()
    window = Window(0, 12, 96)
    (found,) = hidden(network, [PICTURE], [window], ["flame_cell"], codes=codes, size=96, steps=4)
    assert np.abs(found.astype(int) - PICTURE.astype(int)).max() <= codes
    assert not np.array_equal(found, PICTURE)

    def seen(picture: np.ndarray) -> float:
        square = torch.from_numpy(picture[:, 12:108].copy()).permute(2, 0, 1)[None].float()
        with torch.no_grad():
            return float(wear_seen(network((square - MEAN) / DEVIATION), ["flame_cell"]))

    assert seen(found) < seen(PICTURE)


def _case(grade: str | None, possible: list[str]) -> Case:
    return Case(0, {}, {"grade": grade, "possible_grades": possible}, {})


def test_shares_count_first_grades_silence_and_refusals() -> None:
    sure, doubting = _case("serviceable", ["serviceable"]), _case("serviceable", ["serviceable", "replace"])
    away, held = _case(None, []), _case("replace", ["replace"])
    row = _row([sure, doubting, away, held])
    assert [row[key]["hits"] for key in ("first", "silent", "turned away")] == [2, 1, 1]
    best = _best([[doubting, held], [sure, away]])
    assert [best[key]["hits"] for key in ("first", "silent", "turned away")] == [1, 1, 1]
    assert "no doubt shown" in nudges_table({"of": 4, "rows": {"x": row}})
