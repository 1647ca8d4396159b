"""Wanted photos of a returned part: enough for the wear standard's required views, the record ones for every part.

The counts below are those of the wear standard ("One photo is not one part"); keys are our own convention.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.errors import LimitsError, UnknownPart
from wearvision.parts import PARTS
from wearvision.standard.views import read_views, wanted_views

ENOUGH = {"flame_cell": {"face": 1}, "electrode": {"side": 2}, "coupler": {"end": 2, "side": 2}}


@pytest.mark.parametrize("part", PARTS)
def test_required_photos_satisfy_the_wear_standard(part: str) -> None:
    asked = [one.view for one in wanted_views(part) if one.required and one.graded and not one.cleaned]
    assert {view: asked.count(view) for view in set(asked)} == ENOUGH[part]


@pytest.mark.parametrize("part", PARTS)
def test_plate_hour_meter_and_tag_are_wanted_of_every_part(part: str) -> None:
    record = {one.key for one in wanted_views(part) if one.required and not one.graded}
    assert {"plate", "hour-meter", "with-tag"} <= record


@pytest.mark.parametrize("part", PARTS)
def test_nothing_is_wiped_before_it_was_photographed_as_removed(part: str) -> None:
    views = wanted_views(part)
    keys = [one.key for one in views]
    for place, one in enumerate(views):
        if one.cleaned:
            assert one.before in keys[:place]
            assert views[keys.index(one.before)].view == one.view
            assert not one.required
            assert not any(other.required for other in views[place:])
        else:
            assert "wipe the" not in one.advice.lower()


@pytest.mark.parametrize("part", PARTS)
def test_keys_are_short_and_unique(part: str) -> None:
    keys = [one.key for one in wanted_views(part)]
    assert len(set(keys)) == len(keys)
    assert all(re.fullmatch(r"[a-z0-9-]{1,30}", key) for key in keys)


def test_plain_values_say_whether_it_is_graded_and_cleaned() -> None:
    rows = {one.key: one.to_dict() for one in wanted_views("flame_cell")}
    assert (rows["face"]["graded"], rows["face"]["cleaned"], rows["face"]["before"]) == (True, False, None)
    assert (rows["wiped-face"]["graded"], rows["wiped-face"]["cleaned"]) == (True, True)
    assert (rows["plate"]["graded"], rows["plate"]["view"]) == (False, None)


def test_unknown_part_is_refused() -> None:
    with pytest.raises(UnknownPart):
        wanted_views("nozzle")


def row(**more: object) -> str:
    import json

    values = {"key": "face", "part": "flame_cell", "view": "face", "title": "t", "advice": "a", "required": True} | more
    lines = [f"{key} = {json.dumps(value)}" for key, value in values.items() if value is not None]
    return "\n".join(["[[view]]", *lines, ""])


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (row(view="top"), "unknown view 'top'"),
        (row(part="nozzle"), "unknown part 'nozzle'"),
        (row(key="Face"), "small letters"),
        (row(key="x" * 31), "30 at most"),
        (row() + row(), "stands there twice"),
        (row(required="yes"), "required must be true or false"),
        (row(title=""), "title must be a text"),
        (row(advice=None), "advice is missing"),
        (row(colour="red"), "unknown key 'colour'"),
        (row(before="side-1"), "no earlier photo"),
        (row(), "electrode: asks for 0 of view 'side'; the part needs 2"),
        ("view = 3", "a row must be a table"),
        ("[[view", "not valid TOML"),
    ],
)
def test_bad_row_names_file_row_and_reason(text: str, reason: str) -> None:
    with pytest.raises(LimitsError) as caught:
        read_views("site.toml", text)
    assert "site.toml" in str(caught.value)
    assert reason in str(caught.value)


@given(st.text() | st.sampled_from(["view = []", "view = [1]", "[view]\nkey = 1", "[[view]]\nkey = [1]"]))
def test_any_other_text_is_refused_in_words(text: str) -> None:
    with pytest.raises(LimitsError):
        read_views("site.toml", text)
