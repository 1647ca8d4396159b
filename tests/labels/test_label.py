"""The one form of a label: what is asked where, what reads as it was written, and which field a wrong one is in."""

from __future__ import annotations

import math
from typing import Any

import pytest
from drawn_labels import VIEWS, labels
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.labels import Label, LabelError, asked, group_of, split_of
from wearvision.labels.label import NOTHING_ASKED
from wearvision.labels.splits import SHARES
from wearvision.parts import PARTS
from wearvision.standard import load_limits

RIM = {"shape": "outline", "points": [[0.1, 0.1], [0.9, 0.1], [0.5, 0.9]]}
POINT = st.tuples(st.floats(0, 1), st.floats(0, 1)).map(list)


@st.composite
def bodies(draw: st.DrawFn) -> dict[str, Any]:
    """A label as the desk sends it, with marks, regions and matches."""
    part, view = draw(st.sampled_from(VIEWS))
    questions = asked(part, view)
    body = draw(labels((part, view))).to_dict()
    least = {"outline": 3, "line": 2, "polygon": 3, "brush": 1}
    for mark in questions.marks:
        if draw(st.booleans()):
            points = draw(st.lists(POINT, min_size=least[mark.shape], max_size=6))
            body["marks"][mark.key] = {"shape": mark.shape, "points": points}
    for mark in questions.regions:
        kinds = draw(st.lists(st.sampled_from(["polygon", "brush"]), max_size=2))
        if kinds:
            body["regions"][mark.key] = [
                {"shape": kind, "points": draw(st.lists(POINT, min_size=least[kind], max_size=5)), "erase": False}
                | ({"radius": draw(st.floats(0.001, 0.5))} if kind == "brush" else {})
                for kind in kinds
            ]
    body["matches"] = {measure: draw(st.integers(0, 9)) / 10 for measure in questions.matches if draw(st.booleans())}
    return body | {"note": draw(st.text(max_size=30))}


@settings(deadline=None)
@given(bodies())
def test_a_label_reads_as_it_was_written(body: dict[str, Any]) -> None:
    label = Label.read(body)
    assert label.to_dict() == body
    assert Label.read(label.to_dict()) == label


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"part": "wheel"}, "part"),
    ({"part": None}, "part"),
    ({"view": "side"}, "view"),
    ({"fit": 1}, "fit"),
    ({"faults": ["blurred"]}, "faults"),
    ({"fit": False, "faults": []}, "faults"),
    ({"fit": False, "faults": ["ugly"]}, "faults"),
    ({"fit": False, "faults": ["glare"], "grade": "replace"}, "grade"),
    ({"grade": "fine"}, "grade"),
    ({"view": None, "grade": "replace"}, "grade"),
    ({"modes": {"bow": "absent"}}, "modes.bow"),
    ({"modes": {"film": "replace"}, "grade": "replace"}, "modes.film"),
    ({"modes": {"crack": "replace"}}, "grade"),
    ({"modes": {"crack": "replace"}, "grade": "serviceable"}, "grade"),
    ({"modes": dict.fromkeys([mode.key for mode in PARTS["flame_cell"].modes], "absent"), "grade": "replace"}, "grade"),
    ({"marks": {"socket": RIM}}, "marks.socket"),
    ({"marks": {"scorch": RIM}}, "marks.scorch"),
    ({"marks": {"crack": RIM}}, "marks.crack.shape"),
    ({"marks": {"rim": RIM | {"points": [[0, 0], [1, 1]]}}}, "marks.rim.points"),
    ({"marks": {"rim": RIM | {"points": [[0, 0], [1, 1], [0, 1.01]]}}}, "marks.rim.points.2"),
    ({"marks": {"rim": RIM | {"points": [[0, 0], [1, 1], [0, math.nan]]}}}, "marks.rim.points.2"),
    ({"marks": {"rim": RIM | {"points": [[0, 0], [1, 1], [0, True]]}}}, "marks.rim.points.2"),
    ({"marks": {"rim": RIM | {"points": [[0, 0], [1, 1], [0, 1, 1]]}}}, "marks.rim.points.2"),
    ({"marks": {"rim": RIM | {"points": "abc"}}}, "marks.rim.points"),
    ({"marks": {"rim": RIM | {"points": [[0, 0]] * 5001}}}, "marks.rim.points"),
    ({"marks": {"rim": RIM | {"erase": True}}}, "marks.rim.erase"),
    ({"marks": {"rim": RIM | {"colour": "red"}}}, "marks.rim.colour"),
    ({"marks": []}, "marks"),
    ({"matches": {"haze": 0.25}}, "matches.haze"),
    ({"matches": {"haze": 1.0}}, "matches.haze"),
    ({"matches": {"rim_deviation": 0.1}}, "matches.rim_deviation"),
    ({"regions": {"scorch": RIM}}, "regions.scorch"),
    ({"regions": {"scorch": [RIM]}}, "regions.scorch.0.shape"),
    ({"regions": {"scorch": [{"shape": "brush", "points": [[0, 0]]}]}}, "regions.scorch.0.radius"),
    ({"regions": {"scorch": [{"shape": "brush", "points": [[0, 0]], "radius": 0}]}}, "regions.scorch.0.radius"),
    ({"note": 3}, "note"),
    ({"note": "x" * 2001}, "note"),
    ({"secret": 1}, "secret"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "field"), WRONG, ids=[f"{field}-{n}" for n, (_, field) in enumerate(WRONG)])
def test_a_wrong_label_names_its_field(change: dict[str, Any], field: str) -> None:
    with pytest.raises(LabelError) as caught:
        Label.read({"part": "flame_cell", "view": "face"} | change)
    assert caught.value.field == field
    assert str(caught.value).startswith(f"{field}: ")


def test_what_is_no_object_is_no_label() -> None:
    for wrong in (None, [], "flame_cell", 1):
        with pytest.raises(LabelError, match="label"):
            Label.read(wrong)


@pytest.mark.parametrize(("part", "view"), VIEWS)
def test_every_view_asks_for_the_modes_it_shows_and_for_marks_that_measure(part: str, view: str) -> None:
    questions, spec = asked(part, view), PARTS[part]
    assert [mode.key for mode, _ in questions.modes] == [mode.key for mode in spec.modes if view in mode.views]
    shown = {mode.measure for mode, _ in questions.modes}
    keys = {mark.key for mark in (*questions.marks, *questions.regions)}
    assert shown == set(questions.by_hand) | set(questions.matches), "every mode can be measured by hand"
    assert all(set(needed) <= keys for needed in questions.by_hand.values())
    assert all(mark.region in (*spec.regions, "part") for mark in spec.marks)
    for mode, grades in questions.modes:
        assert grades == load_limits().row(part, mode.measure).grades


def test_nothing_is_asked_without_a_part_or_view() -> None:
    assert asked("none", None) == asked("flame_cell", None) == asked("flame_cell", "side") == NOTHING_ASKED


def test_splits_have_their_shares_and_never_move() -> None:
    splits = [split_of(group_of(f"machine {n}", "")) for n in range(5000)]
    for split, share in SHARES.items():
        assert splits.count(split) / len(splits) == pytest.approx(share, abs=0.03)
    # Written down once: a set that was split by these must stay so.
    assert "".join(split_of(name)[0] for name in "abcdefghijklmnop") == "cttttttctttctttt"
    assert split_of("g") == "test"


def test_a_machine_is_one_group_however_it_is_written() -> None:
    assert group_of("OH 17", "monday") == group_of(" oh  17", "tuesday") != group_of("OH 18", "monday")
    assert group_of("", "monday") != group_of("", "tuesday")
    assert group_of("x", "") != group_of("", "x")
    with pytest.raises(ValueError, match="machine or a capture"):
        group_of(" ", "")
