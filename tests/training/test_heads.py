"""The measure heads: a loss that says worn or not and how far, and a refit that leaves the rest alone."""

from __future__ import annotations

import torch

from wearvision_training.heads import HeadConfig, train_heads
from wearvision_training.losses import IGNORE, Targets, head_loss, reach_loss
from wearvision_training.network import LEVELS, MEASURES, REGIONS, WearNetwork


def _targets(value: torch.Tensor) -> Targets:
    count = len(value)
    empty = torch.full((count,), IGNORE)
    return Targets(torch.zeros(count, dtype=torch.int64), empty, empty, value, torch.ones(count, len(REGIONS)))


def test_head_loss_missing_truth_counts_nothing() -> None:
    size, spread, presence = torch.ones(2, 3), torch.ones(2, 3), torch.zeros(2, 3)
    value = torch.tensor([[0.0, 1.0, float("nan")], [0.5, 0.0, float("nan")]])
    loss = head_loss(size, spread, presence, value)
    wild = size.clone()
    wild[:, 2] = 99.0
    assert torch.isfinite(loss)
    assert float(head_loss(wild, spread, presence, value)) == float(loss)


def test_head_loss_size_is_learned_from_worn_pictures_only() -> None:
    size = torch.full((1, 2), 0.7, requires_grad=True)
    value = torch.tensor([[0.0, 1.0]])
    head_loss(size, torch.ones(1, 2), torch.zeros(1, 2), value).backward()
    assert size.grad is not None
    assert float(size.grad[0, 0]) == 0.0
    assert float(size.grad[0, 1]) < 0.0  # too small: the step goes up


def test_train_heads_learns_what_the_features_tell_and_keeps_the_rest() -> None:
    torch.manual_seed(0)
    network = WearNetwork(None).eval()
    width = network.pooled
    features = torch.rand(200, width)
    value = torch.full((200, len(MEASURES)), float("nan"))
    value[:, 0] = torch.where(features[:, 0] > 0.5, 1.0, 0.0)
    before = {name: tensor.clone() for name, tensor in network.state_dict().items()}
    features[:, 0] *= 5
    train_heads(network, features, _targets(value), HeadConfig(epochs=25, batch=50, rate=3e-3))
    with torch.inference_mode():
        size, _, presence, _ = network.measure_heads(features)
        estimate = (torch.sigmoid(presence) * size)[:, 0]
    worn = value[:, 0] > 0.5
    assert float(estimate[worn].mean()) > 0.6
    assert float(estimate[~worn].mean()) < 0.4
    changed = {name for name, tensor in network.state_dict().items() if not torch.equal(tensor, before[name])}
    heads = {"gauge", "size", "spread", "presence", "reach"}
    assert {name.split(".")[0] for name in changed} == heads


def test_train_heads_learns_the_part_too_where_it_is_asked() -> None:
    torch.manual_seed(0)
    network = WearNetwork(None).eval()
    features = torch.rand(200, network.pooled)
    targets = _targets(torch.full((200, len(MEASURES)), float("nan")))
    targets = Targets((features[:, 0] > 0.5).long(), targets.view, targets.grade, targets.value, targets.channels)
    features[:, 0] *= 5
    train_heads(network, features, targets, HeadConfig(opinions=True, epochs=25, batch=50, rate=3e-3))
    with torch.inference_mode():
        found = network.part(network.trunk(features)).argmax(1)
    assert float((found == targets.part).float().mean()) > 0.9


def test_every_measure_counts_alike_however_rare() -> None:
    value = torch.full((12, 2), float("nan"))
    value[:, 0], value[:3, 1] = 1.0, 1.0
    presence = torch.zeros(12, 2, requires_grad=True)
    head_loss(torch.ones(12, 2), torch.ones(12, 2), presence, value).backward()
    common, rare = presence.grad.abs().sum(0).tolist()
    assert common == rare


def test_spread_is_least_costly_at_the_mean_error() -> None:
    value = torch.tensor([[1.0], [1.4], [0.6], [1.0]])
    cost = {
        spread: float(head_loss(torch.ones(4, 1), torch.full((4, 1), spread), torch.full((4, 1), 30.0), value))
        for spread in (0.1, 0.2, 0.4)
    }
    assert min(cost, key=cost.__getitem__) == 0.2


def test_reach_is_cheapest_at_the_share_of_pictures_that_reach_a_level() -> None:
    value = torch.tensor([[0.0], [0.0], [0.0], [9.0]])  # a quarter reaches every level

    def cost(share: float) -> float:
        logit = torch.logit(torch.tensor(share)).expand(4, 1, len(LEVELS))
        return float(reach_loss(logit, value))

    assert cost(0.25) < min(cost(0.2), cost(0.3))
    assert float(reach_loss(torch.zeros(4, 1, 0), value)) == 0.0


def test_reach_falls_from_level_to_level() -> None:
    network = WearNetwork(None).eval()
    reach = network.measure_heads(torch.randn(5, network.pooled))[3]
    assert reach.shape == (5, len(MEASURES), len(LEVELS))
    assert bool((reach.diff(dim=2) < 0).all())
