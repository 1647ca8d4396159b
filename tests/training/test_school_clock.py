"""Progress by steps or time, the rate that follows it, the running mean of weights."""

from __future__ import annotations

import pytest
import torch
from torch import nn

from wearvision_training.school.average import Average
from wearvision_training.school.clock import FIRST, LAST, Clock, rate_factor


def test_without_a_limit_progress_is_by_steps() -> None:
    clock = Clock(steps=10, started=0.0, now=lambda: 1e6)
    assert [clock.progress(step) for step in (0, 5, 10, 20)] == [0.0, 0.5, 1.0, 1.0]


def test_slow_machine_has_annealed_at_its_limit() -> None:
    seconds = [0.0]
    clock = Clock(steps=1000, limit=100.0, started=0.0, now=lambda: seconds[0])
    seconds[0] = 50.0
    assert clock.progress(3) == pytest.approx(0.5)
    assert clock.progress(800) == pytest.approx(0.8)
    seconds[0] = 100.0
    assert rate_factor(clock.progress(30), 0.1) == pytest.approx(LAST)


def test_time_counts_over_all_starts_of_a_run() -> None:
    seconds = [50.0]
    clock = Clock(steps=1000, limit=10.0, done=0.4, started=50.0, now=lambda: seconds[0])
    assert clock.progress(100) == pytest.approx(0.4)
    seconds[0] = 53.0
    assert clock.progress(101) == pytest.approx(0.7)
    seconds[0] = 56.0
    assert clock.progress(102) == 1.0


def test_rate_rises_once_and_falls_once() -> None:
    rates = [rate_factor(step / 200, 0.1) for step in range(201)]
    top = rates.index(max(rates))
    assert rates[0] == pytest.approx(FIRST)
    assert top / 200 == pytest.approx(0.1)
    assert rates[top] == pytest.approx(1.0)
    assert rates[-1] == pytest.approx(LAST)
    assert rates[: top + 1] == sorted(rates[: top + 1])
    assert rates[top:] == sorted(rates[top:], reverse=True)


def test_rate_agrees_with_the_one_cycle_schedule_of_pytorch() -> None:
    optimiser = torch.optim.SGD([nn.Parameter(torch.zeros(1))], lr=1.0)
    total, warm_up = 100, 0.1
    schedule = torch.optim.lr_scheduler.OneCycleLR(
        optimiser, 1.0, total + 1, pct_start=0.11, div_factor=1 / FIRST, final_div_factor=FIRST / LAST
    )
    for step in range(total + 1):
        assert rate_factor(step / total, warm_up) == pytest.approx(schedule.get_last_lr()[0], abs=0.02)
        if step < total:
            optimiser.step()
            schedule.step()


def test_average_follows_and_forgets_its_start() -> None:
    network = nn.Sequential(nn.Linear(2, 2), nn.BatchNorm1d(2))
    average = Average(network, 0.9)
    with torch.no_grad():
        for tensor in network.state_dict().values():
            tensor.fill_(3)
    for step in range(200):
        average.follow(network, step)
    for tensor in average.network.state_dict().values():
        assert torch.allclose(tensor.float(), torch.full_like(tensor, 3).float(), atol=1e-3)


def test_average_of_two_weights_lies_between_them() -> None:
    network = nn.Linear(1, 1)
    average = Average(network, 0.75)
    start = network.weight.detach().clone()
    with torch.no_grad():
        network.weight += 1
    average.follow(network, 10_000)
    assert float((average.network.weight - start).detach()) == pytest.approx(0.25)
