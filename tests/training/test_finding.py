"""How the finder's pictures are framed, and that it learns and exports."""

from __future__ import annotations

import torch

from wearvision_training.finding.framing import away, barred
from wearvision_training.finding.network import STRIDE, FinderNetwork

SIDE = 64


def batch(strangers: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Pictures that are bright exactly where their part lies; the first show none and are dark."""
    pictures = torch.full((24, 3, SIDE, SIDE), -0.9)
    part = torch.zeros((24, 1, SIDE, SIDE))
    part[strangers:, :, 16:48, 20:44] = 1.0
    pictures[strangers:] = torch.where(part[strangers:] > 0.5, 0.95, -0.9).expand(-1, 3, -1, -1)
    return pictures, torch.nn.functional.avg_pool2d(part, STRIDE), torch.arange(24) < strangers


def test_part_moves_with_its_picture_into_strange_surroundings() -> None:
    pictures, part, strangers = batch(8)
    moved, cover = away(pictures, part, strangers, torch.Generator().manual_seed(3))
    bright = torch.nn.functional.avg_pool2d((moved.mean(1, keepdim=True) > 0.9).float(), STRIDE)
    assert (bright[8:] - cover[8:]).abs().mean() < 0.03
    assert cover[:8].max() == 0
    sizes = cover[8:].sum((1, 2, 3)) / part[8:].sum((1, 2, 3))
    assert sizes.min() < 0.5
    assert sizes.max() <= 1.05
    assert (sizes > 0.99).any()


def test_where_nothing_strange_is_at_hand_the_surroundings_are_plain() -> None:
    pictures, part, strangers = batch(0)
    moved, cover = away(pictures, part, strangers, torch.Generator().manual_seed(4))
    shrunk = cover.sum((1, 2, 3)) < 0.5 * part.sum((1, 2, 3))
    assert shrunk.any()
    assert all(len(one[0].unique()) < SIDE * SIDE / 4 for one in moved[shrunk])


def test_bars_hide_picture_and_part_alike_and_never_more_than_told() -> None:
    pictures, part = torch.ones((24, 3, SIDE, SIDE)), torch.ones((24, 1, SIDE // STRIDE, SIDE // STRIDE))
    clear, cover = barred(pictures, part, torch.Generator().manual_seed(5))
    shown, covered = clear.mean((1, 2, 3)), cover.mean((1, 2, 3))
    assert (shown - covered).abs().max() < 2 / (SIDE // STRIDE)
    assert shown.min() > 0.7
    assert (shown == 1).any()
    assert (shown < 0.9).any()


def test_finder_gives_one_cell_for_each_stride_and_can_learn() -> None:
    torch.manual_seed(1)
    network = FinderNetwork()
    pictures, part, _ = batch(0)
    optimiser = torch.optim.Adam(network.parameters(), 3e-3)
    losses = []
    for _ in range(8):
        logits = network(pictures[:4])
        loss = torch.nn.functional.binary_cross_entropy_with_logits(logits, part[:4])
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        losses.append(float(loss.detach()))
    assert logits.shape == part[:4].shape
    assert losses[-1] < 0.7 * losses[0]
