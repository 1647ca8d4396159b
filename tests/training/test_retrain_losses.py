"""Losses for labels that bound a measure: they are those of exact truths without width, and leave open what is open."""

from __future__ import annotations

import math

import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import laplace

from wearvision.sighting import Estimate
from wearvision_training.losses import IGNORE, head_loss
from wearvision_training.losses import reach_loss as exact_reach_loss
from wearvision_training.network import LEVELS, MEASURES
from wearvision_training.retrain.censored import (
    Heard,
    _reached,
    grade_loss,
    lesson_loss,
    log_inside,
    measure_loss,
    reach_loss,
    worst_loss,
)
from wearvision_training.retrain.lessons import Lessons

torch.set_num_threads(1)
B, M = 6, len(MEASURES)
UNKNOWN = torch.full((B, M), torch.nan)


def said(seed: int = 0) -> Heard:
    chance = torch.Generator().manual_seed(seed)

    def draw(*shape: int) -> torch.Tensor:
        return torch.randn(*shape, generator=chance)

    reach = torch.cumsum(-draw(B, M, len(LEVELS)).abs(), 2) + 2
    spread = draw(B, M).abs() + 0.05
    return Heard(draw(B, 4), draw(B, 3), draw(B, 3), draw(B, M).abs(), spread, draw(B, M), reach)


def test_without_width_the_losses_are_those_of_exact_truths() -> None:
    heard = said()
    value = torch.rand(B, M, generator=torch.Generator().manual_seed(3)) * 2
    value[value < 0.3] = 0.0
    value[0] = torch.nan
    estimate = torch.sigmoid(heard.presence) * heard.size
    ours = measure_loss(heard, estimate, value, value)
    assert float(ours) == pytest.approx(float(head_loss(heard.size, heard.spread, heard.presence, value)), rel=1e-5)
    assert float(reach_loss(heard.reach, value, value)) == pytest.approx(
        float(exact_reach_loss(heard.reach, value)), rel=1e-5
    )


@given(value=st.floats(0, 5), spread=st.floats(0.05, 2), low=st.floats(0, 5), width=st.floats(0.01, 5))
def test_mass_of_an_interval_is_that_of_the_laplace_distribution(
    value: float, spread: float, low: float, width: float
) -> None:
    # Against scipy's distribution; an interval from 0 has no lower end.
    between = laplace(value, spread)
    below = 0.0 if low == 0 else between.cdf(low)
    expected = between.cdf(low + width) - below
    found = log_inside(*(torch.tensor(one, dtype=torch.float64) for one in (value, spread, low, low + width)))
    if expected > 1e-5:
        assert float(found) == pytest.approx(math.log(expected), abs=2e-3)
    else:
        assert float(found) < -9


@pytest.mark.parametrize(("start", "sign"), [(0.1, -1), (0.55, -1), (0.85, 0), (1.15, 1), (2.0, 1)])
def test_an_estimate_is_drawn_inside_its_bounds_and_left_alone_in_their_middle(start: float, sign: int) -> None:
    heard = said()
    size = torch.full((B, M), start, requires_grad=True)
    presence = torch.full((B, M), 30.0)
    low, high = torch.full((B, M), 0.5), torch.full((B, M), 1.2)
    one = heard._replace(size=size, presence=presence)
    measure_loss(one, torch.sigmoid(presence) * size, low, high).backward()
    assert size.grad is not None
    pull = torch.where(size.grad.abs() < 1e-6, 0.0, size.grad)
    assert bool((torch.sign(pull) == sign).all())


def test_levels_inside_the_bounds_are_left_open() -> None:
    reach = torch.zeros(1, 1, len(LEVELS), requires_grad=True)
    reach_loss(reach, torch.tensor([[0.4]]), torch.tensor([[1.0]])).backward()
    assert reach.grad is not None
    pulls = np.sign(reach.grad[0, 0].numpy())
    expected = [-1 if level <= 0.4 else 1 if level >= 1.0 else 0 for level in LEVELS]
    assert pulls.tolist() == expected


def test_every_grade_allowed_teaches_nothing_and_one_grade_is_plain_cross_entropy() -> None:
    logits = torch.randn(4, 3, generator=torch.Generator().manual_seed(1))
    everything = torch.ones(4, 3, dtype=torch.bool)
    assert float(grade_loss(logits, everything)) == pytest.approx(0.0, abs=1e-6)
    one = torch.nn.functional.one_hot(torch.tensor([0, 1, 2, 1]), 3).bool()
    expected = torch.nn.functional.cross_entropy(logits, torch.tensor([0, 1, 2, 1]))
    assert float(grade_loss(logits, one)) == pytest.approx(float(expected), rel=1e-6)
    assert float(grade_loss(logits, torch.zeros(4, 3, dtype=torch.bool))) == 0.0


def test_the_worst_mode_that_is_likeliest_learns_most_and_others_not_meant_nothing() -> None:
    value = torch.tensor([[0.8, 0.2, 0.9]], requires_grad=True)
    least = torch.tensor([[1.0, 1.0, torch.nan]])
    worst_loss(value, torch.full((1, 3), 0.2), torch.zeros(1, 3, 0), least).backward()
    assert value.grad is not None
    pull = -value.grad[0]
    assert float(pull[0]) > float(pull[1]) > 0
    assert float(pull[2]) == 0.0


def test_the_worst_mode_reached_costs_hardly_anything() -> None:
    spread, reach = torch.full((1, 2), 0.05), torch.zeros(1, 2, 0)
    least = torch.tensor([[1.0, 1.0]])
    reached = worst_loss(torch.tensor([[2.0, 0.0]]), spread, reach, least)
    missed = worst_loss(torch.tensor([[0.5, 0.0]]), spread, reach, least)
    assert float(reached) < 0.01
    assert float(missed) > 3.0


@given(st.floats(0, 12))
def test_reach_at_a_value_is_read_off_as_the_library_does(at: float) -> None:
    reached = tuple(np.linspace(0.95, 0.02, len(LEVELS)).tolist())
    ours = _reached(torch.tensor([[reached]], dtype=torch.float64), torch.tensor([[at]], dtype=torch.float64))
    theirs = Estimate(1.0, 0.1, 0.5, LEVELS, reached).reaches(at)
    assert float(ours) == pytest.approx(theirs, abs=1e-6)


def test_photos_of_which_nothing_is_known_give_no_loss_and_finite_gradients() -> None:
    heard = said()
    size = heard.size.clone().requires_grad_()
    nothing = torch.full((B,), IGNORE)
    told = Lessons(nothing, nothing, torch.zeros(B, 3, dtype=torch.bool), UNKNOWN, UNKNOWN, UNKNOWN)
    total = torch.stack(list(lesson_loss(heard._replace(size=size), told).values())).sum()
    total.backward()
    assert float(total.detach()) == 0.0
    assert size.grad is not None
    assert float(size.grad.abs().max()) == 0.0


@given(st.integers(0, 1000))
def test_gradients_are_finite_whatever_the_bounds(seed: int) -> None:
    heard = said(seed)
    leaves = [piece.clone().requires_grad_() for piece in heard]
    chance = torch.Generator().manual_seed(seed)
    low = torch.rand(B, M, generator=chance) * 3
    low[torch.rand(B, M, generator=chance) < 0.4] = 0.0
    high = low + torch.rand(B, M, generator=chance) * 60 * (torch.rand(B, M, generator=chance) < 0.7)
    low[torch.rand(B, M, generator=chance) < 0.3] = torch.nan
    least = torch.where(torch.rand(B, M, generator=chance) < 0.2, torch.ones(B, M), UNKNOWN)
    told = Lessons(torch.zeros(B, dtype=torch.int64), torch.full((B,), 1), torch.ones(B, 3) > 0, low, high, least)
    torch.stack(list(lesson_loss(Heard(*leaves), told).values())).sum().backward()
    assert all(bool(torch.isfinite(leaf.grad).all()) for leaf in leaves if leaf.grad is not None)
