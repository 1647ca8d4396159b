"""The gate: each row alone decides, what cannot be told never passes, a file that is wrong says where.

The numbers of the gate are common practice without a published source; the check value of its first row is Clopper and
Pearson's upper bound for no event among n, 1 - 0.05^(1/n).
"""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.teaching.gate import GateError, holds, judge, load_gate, read_gate, verdict

from .conftest import report

GATE = load_gate()
ROW = '[[row]]\nid = "a"\non = "held_out"\nfigure = "photos"\nrule = "at least"\ntext = "t"\nsource = "s"\n'


def failed(said: dict[str, Any]) -> list[str]:
    return [row.id for row in judge(said, GATE) if row.passed is False]


def test_a_better_model_passes_and_parts_without_photos_are_not_judged() -> None:
    rows = {row.id: row for row in judge(report(), GATE)}
    assert holds(tuple(rows.values()))
    assert rows["macro-f1-part:flame_cell"].passed is True
    assert rows["macro-f1-part:coupler"].passed is None
    assert rows["dangerous-misses"].text == "1 dangerous misses of 60, the old model has 3"
    assert verdict(report(), GATE)["passed"] is True


def test_as_many_misses_pass_and_one_more_does_not() -> None:
    assert failed(report(misses=(2, 2))) == []
    assert failed(report(misses=(2, 3))) == ["dangerous-misses"]


def test_too_few_parts_to_replace_prove_nothing() -> None:
    said = report(misses=(0, 0))
    for side in ("old", "new"):
        said["parts"]["all"][side]["missed"] |= {"value": 0.0, "of": 9, "hits": 0}
    assert failed(said) == ["dangerous-misses"]
    for side in ("old", "new"):
        said["parts"]["all"][side]["missed"]["of"] = 10
    assert failed(said) == []


def test_few_photos_fail() -> None:
    """1 - 0.05^(1/30) = 0.095: what 30 photos without a miss still leave possible."""
    assert pytest.approx(0.095, abs=5e-4) == 1 - 0.05 ** (1 / 30)
    assert "held-out-photos" in failed(report(misses=(0, 0), of=29))
    assert failed(report(misses=(0, 0), of=30)) == []


def test_an_interval_that_reaches_too_low_fails() -> None:
    said = report()
    said["parts"]["all"] = copy.deepcopy(said["parts"]["all"])
    said["parts"]["all"]["f1_difference"] |= {"value": 0.03, "low": -0.0501, "high": 0.1}
    assert failed(said) == ["macro-f1"]
    said["parts"]["all"]["f1_difference"]["low"] = -0.05
    assert failed(said) == []


def test_a_part_that_gets_worse_fails_by_itself() -> None:
    said = report()
    said["parts"]["electrode"] = copy.deepcopy(said["parts"]["all"])
    said["parts"]["electrode"]["f1_difference"] = {"value": -0.2, "low": -0.3, "high": -0.1, "of": 12}
    assert failed(said) == ["macro-f1-part:electrode"]
    said["parts"]["electrode"]["f1_difference"]["of"] = 9
    assert failed(said) == []


def test_what_is_forgotten_fails() -> None:
    said = report()
    said["synthetic"]["f1_difference"]["low"] = -0.08
    said["synthetic"]["new"]["missed"] = {"value": 0.05, "low": 0, "high": 1, "of": 120}
    assert failed(said) == ["not-forgotten", "not-forgotten-misses"]


def test_intervals_that_hold_too_seldom_fail() -> None:
    said = report()
    said["parts"]["all"]["new"]["in_set"]["value"] = 0.89
    assert failed(said) == ["in-set"]


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
        lambda inner: (
            st.dictionaries(
                st.sampled_from(
                    ["held_out", "photos", "parts", "all", "new", "old", "missed", "synthetic", "of", "low"]
                ),
                inner,
                max_size=4,
            )
            | st.lists(inner, max_size=3)
        ),
        max_leaves=20,
    )
)
def test_a_report_that_is_none_never_passes(said: Any) -> None:
    """Whatever a broken report holds: rows come, and those that must be shown are not passed."""
    rows = judge(said if isinstance(said, dict) else {}, GATE)
    assert not holds(rows)
    assert all(row.text for row in rows)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("id = ", "not valid TOML"),
        ('id = "g"', "at least one"),
        (ROW, "needs an id"),
        ('id = "g"\n' + ROW + ROW, "two rows"),
        ('id = "g"\n' + ROW.replace("at least", "perhaps"), "row a: rule is one of"),
        ('id = "g"\n' + ROW.replace("held_out", "moon"), "row a: on is one of"),
        ('id = "g"\n' + ROW.replace('source = "s"\n', ""), "row a: source is missing"),
        ('id = "g"\n' + ROW + "colour = 1\n", "row a: there is no key colour"),
        ('id = "g"\n' + ROW + "number = nan\n", "row a: number is a number"),
        ('id = "g"\n' + ROW + "number = true\n", "row a: number is a number"),
        ('id = "g"\n' + ROW + "least = 0\n", "row a: least is a whole number"),
        ('id = "g"\n' + ROW + 'needed = "no"\n', "row a: needed is true or false"),
        ('id = "g"\nrow = [1]\n', "it is no table"),
    ],
)
def test_a_wrong_file_says_where(text: str, reason: str) -> None:
    with pytest.raises(GateError, match=reason):
        read_gate("own.toml", text)


def test_a_sites_own_gate_replaces_it_whole(tmp_path: Path) -> None:
    path = tmp_path / "gate.toml"
    path.write_text('id = "own"\n' + ROW + "number = 61\n", "utf-8")
    gate = load_gate(path)
    assert [row.id for row in judge(report(), gate)] == ["a"]
    assert not holds(judge(report(), gate))
    assert gate.sha256 != load_gate().sha256
    with pytest.raises(GateError, match="cannot be read"):
        load_gate(tmp_path / "none.toml")
