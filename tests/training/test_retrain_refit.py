"""Teaching the heads: what is learned, what stays, and how a way is chosen, on made-up features."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import torch

from wearvision.labels.bounds import AtLeast, Bound
from wearvision.labels.truth import Truth
from wearvision.standard import load_limits
from wearvision_training.losses import IGNORE
from wearvision_training.network import LEVELS, MEASURES, PART_NAMES, WearNetwork
from wearvision_training.retrain.censored import heard
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.progress import Stopped
from wearvision_training.retrain.refit import Rows, Way, choose, loss_on, teach

torch.set_num_threads(1)
HAZE = MEASURES.index("flame_cell.haze")
FILM = MEASURES.index("flame_cell.film_loss")


@pytest.fixture(scope="module")
def network() -> WearNetwork:
    torch.manual_seed(0)
    return WearNetwork(None).eval()


def site(network: WearNetwork, count: int = 72) -> Rows:
    """Photos whose first feature says whether haze lies between 0.4 and 1 or under 0.1, in 12 groups."""
    chance = torch.Generator().manual_seed(1)
    features = torch.rand(count, network.pooled, generator=chance)
    worn = features[:, 0] > 0.5
    features[:, 0] *= 5
    low = torch.full((count, len(MEASURES)), torch.nan)
    high = low.clone()
    low[:, HAZE], high[:, HAZE] = torch.where(worn, 1.0, 0.0), torch.where(worn, 2.5, 0.25)
    accepted = torch.stack([~worn, torch.zeros_like(worn), worn], 1)
    part = torch.full((count,), PART_NAMES.index("flame_cell"))
    lessons = Lessons(part, torch.zeros(count, dtype=torch.int64), accepted, low, high, torch.full_like(low, torch.nan))
    return Rows(features, lessons, torch.arange(count) % 12, torch.ones(count, dtype=torch.bool))


WAY = Way(epochs=20, batch=32, rate=2e-3, ema=0.9)


def test_bounds_alone_teach_the_measure_and_nothing_but_heads_changes(network: WearNetwork) -> None:
    rows = site(network)
    before = {name: tensor.clone() for name, tensor in network.state_dict().items()}
    taught = teach(network, rows, None, WAY)
    with torch.inference_mode():
        said = heard(taught, rows.features)
        value = (torch.sigmoid(said.presence) * said.size)[:, HAZE]
        reach = torch.sigmoid(said.reach)[:, HAZE]
    worn = rows.lessons.low[:, HAZE] > 0.5
    assert float(value[worn].mean()) > 0.8
    assert float(value[~worn].mean()) < 0.4
    level = LEVELS.index(1.0)
    assert float(reach[worn, level].mean()) > 0.7 > 0.3 > float(reach[~worn, level].mean())
    after = taught.state_dict()
    changed = {name.split(".")[0] for name in before if not torch.equal(before[name], after[name])}
    assert changed == {"trunk", "part", "view", "grade", "gauge", "size", "spread", "presence", "reach"}
    assert all(torch.equal(before[name], tensor) for name, tensor in network.state_dict().items())


def test_a_grade_alone_teaches_the_mode_that_shows_it(network: WearNetwork) -> None:
    rows = site(network)
    worn = rows.lessons.low[:, HAZE] > 0.5
    low, high = torch.zeros_like(rows.lessons.low) * torch.nan, torch.zeros_like(rows.lessons.low) * torch.nan
    low[:, [FILM, HAZE]], high[:, [FILM, HAZE]] = 0.0, torch.where(worn, 6.0, 0.25)[:, None]
    high[:, FILM] = 0.25  # someone said that there is no film: so the haze must be it
    least = torch.full_like(low, torch.nan)
    least[worn.nonzero()[:, 0][:, None], torch.tensor([FILM, HAZE])] = 1.0
    told = replace(rows.lessons, low=low, high=high, least=least)
    taught = teach(network, replace(rows, lessons=told), None, WAY)
    with torch.inference_mode():
        said = heard(taught, rows.features)
        value = torch.sigmoid(said.presence) * said.size
    assert float(value[worn, HAZE].mean()) > 2 * float(value[worn, FILM].mean())
    assert float(value[worn, HAZE].mean()) > 2 * float(value[~worn, HAZE].mean())


def test_same_seed_teaches_the_same_and_no_epochs_leave_the_base(network: WearNetwork) -> None:
    rows = site(network)
    first, second = (teach(network, rows, rows, replace(WAY, epochs=2)).state_dict() for _ in range(2))
    assert all(torch.equal(first[name], second[name]) for name in first)
    same = teach(network, rows, rows, replace(WAY, epochs=0)).state_dict()
    assert all(torch.equal(tensor, same[name]) for name, tensor in network.state_dict().items())


def test_the_best_way_is_chosen_by_groups_and_goes_on_after_a_stop(network: WearNetwork, tmp_path: Path) -> None:
    rows, kept, checks = site(network), tmp_path / "tried.json", []

    def stop(done: int, of: int) -> None:
        if done == 7:
            raise Stopped

    with pytest.raises(Stopped):
        choose(network, rows, rows, seed=1, kept=kept, shares=(0.5,), epochs=(2, 4), check=stop)
    way, told = choose(
        network, rows, rows, seed=1, kept=kept, shares=(0.5,), epochs=(2, 4), check=lambda *one: checks.append(one)
    )
    assert checks[0] == (4, 12)  # the first fold was kept
    assert way.epochs == 4
    assert told["cost"] < told["base"]
    again, _ = choose(network, rows, rows, seed=1, shares=(0.5,), epochs=(2, 4))
    assert again == way


def test_what_teaches_nothing_leaves_the_base(network: WearNetwork) -> None:
    rows = site(network, 30)
    unknown, nowhere = torch.full_like(rows.lessons.low, torch.nan), torch.full((30,), IGNORE)
    every = torch.ones(30, 3, dtype=torch.bool)
    nothing = replace(rows, lessons=Lessons(nowhere, nowhere, every, unknown, unknown, unknown))
    way, told = choose(network, nothing, None, seed=1, shares=(0.5,), epochs=(1,))
    assert way.epochs == 0
    assert told["cost"] == told["base"]


def test_too_few_groups_to_choose_by(network: WearNetwork) -> None:
    rows = site(network, 30)
    one = replace(rows, group=torch.zeros(30, dtype=torch.int64))
    way, told = choose(network, one, None, seed=1)
    assert told["folds"] == 0
    assert way.epochs > 0


def test_changed_copies_are_learned_but_not_judged_by(network: WearNetwork) -> None:
    rows = site(network, 20)
    copies = replace(rows, features=rows.features * 9, plain=torch.zeros(20, dtype=torch.bool))
    assert loss_on(network, Rows.joined([rows, copies])) == loss_on(network, rows)


def test_lessons_of_truths() -> None:
    limits = load_limits()
    truths = [
        Truth("flame_cell", "face", grade="replace", acceptable_grades=("replace",),
              bounds={"haze": Bound(0.3, 1.0), "film_loss": Bound(0.18, 0.22, 0.2, "match")}),
        Truth("electrode", "side", grade="replace", acceptable_grades=("replace",),
              bounds={"crack_ratio": Bound(0.0, 10.0)}, at_least=AtLeast("replace", ("crack", "tip wear"))),
        Truth("coupler", "end", fit=False, faults=("blurred",)),
        Truth("none"),
    ]  # fmt: skip
    told = Lessons.of_truths(truths, limits)
    assert [PART_NAMES[index] for index in told.part.tolist()] == ["flame_cell", "electrode", "coupler", "none"]
    assert told.view.tolist()[3] == IGNORE
    assert told.accepted.tolist() == [[False, False, True], [False, False, True], [False] * 3, [False] * 3]
    # Haze is trained in units of 0.40, film in units of 0.15: their worst limits.
    assert told.low[0, HAZE].item() == pytest.approx(0.3 / 0.4)
    assert told.high[0, FILM].item() == pytest.approx(0.22 / 0.15)
    assert int(torch.isfinite(told.low).sum()) == 3
    crack, tip = (MEASURES.index(f"electrode.{name}") for name in ("crack_ratio", "tip_loss"))
    # Any crack over its floor of 0.10 is replace (unit 0.25); a worn tip can be from 0.15 on (unit 0.35).
    assert told.least[1, crack].item() == pytest.approx(0.10 / 0.25)
    assert told.least[1, tip].item() == pytest.approx(0.15 / 0.35)
    assert int(torch.isfinite(told.least).sum()) == 2


def test_lessons_of_drawn_pictures_are_exact() -> None:
    row = {"part": "flame_cell", "view": "face", "measures": {"haze": 0.2}, "acceptable_grades": ["clean-and-reuse"]}
    none = {"part": "none", "view": "", "measures": {}, "acceptable_grades": []}
    told = Lessons.of_drawn([row, none])
    assert told.low[0, HAZE] == told.high[0, HAZE] == pytest.approx(0.5)
    assert told.accepted[1].tolist() == [False] * 3
