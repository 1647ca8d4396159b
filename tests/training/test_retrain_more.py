"""Fine-tuning: how far back it reaches, and that a run which goes on ends as one that never stopped."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch

from wearvision.parts import region_names
from wearvision_training.network import WearNetwork
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.more import Squares, Tuning, tune

torch.set_num_threads(1)
CPU = torch.device("cpu")
TRUTH = {"part": "flame_cell", "view": "face", "acceptable_grades": ["replace"], "measures": {"haze": 0.6}}


@pytest.fixture(scope="module")
def network() -> WearNetwork:
    torch.manual_seed(0)
    return WearNetwork(None, decoder="light", heads="plain").eval()


def squares(seed: int, count: int = 3, side: int = 80) -> Squares:
    chance = torch.Generator().manual_seed(seed)
    images = torch.randint(0, 256, (count, side, side, 3), generator=chance, dtype=torch.uint8)
    regions = len(region_names())
    cover = torch.zeros(count, regions, side // 2, side // 2, dtype=torch.uint8)
    return Squares(images, cover, torch.zeros(count, regions), Lessons.of_drawn([TRUTH] * count), torch.arange(count))


def changed(before: WearNetwork, after: WearNetwork) -> set[str]:
    ends = after.state_dict()
    return {name for name, tensor in before.state_dict().items() if not torch.equal(tensor, ends[name])}


@pytest.mark.parametrize("blocks", [0, 2, 7])
def test_the_last_stages_learn_and_no_others(network: WearNetwork, tmp_path: Path, blocks: int) -> None:
    how = Tuning(steps=2, batch=4, blocks=blocks, size=64, ema=0.0)
    tuned = tune(network, squares(1), squares(2), how, CPU, kept=tmp_path / "tuning.pt")
    stages = len(network.backbone.blocks)  # type: ignore[arg-type]  # timm's own
    moved = {int(name.split(".")[2]) for name in changed(network, tuned) if name.startswith("backbone.blocks.")}
    assert moved == set(range(stages - blocks, stages))
    assert any(name.startswith("size.") for name in changed(network, tuned))
    assert not any(name.endswith(("running_mean", "running_var")) for name in changed(network, tuned))


def test_a_run_that_was_stopped_ends_as_one_that_was_not(network: WearNetwork, tmp_path: Path) -> None:
    how = Tuning(steps=3, batch=4, size=64)
    straight = tune(network, squares(1), squares(2), how, CPU, kept=tmp_path / "one.pt")

    def stop(done: int, of: int) -> None:
        if done == of - 1:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        tune(network, squares(1), squares(2), how, CPU, kept=tmp_path / "two.pt", check=stop)
    resumed = tune(network, squares(1), squares(2), how, CPU, kept=tmp_path / "two.pt")
    assert changed(straight, resumed) == set()
