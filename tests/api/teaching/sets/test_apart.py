"""No part in two splits: known cases, and every mixture that chance makes."""

from __future__ import annotations

from collections import defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.labels.splits import group_of, split_of
from wearvision_api.teaching.apart import NotApart, Placed, demand_apart


def placed(name: str, photo: str, machine: str, capture: str, group: str, split: str) -> Placed:
    return Placed(name, photo, machine, capture, group, split)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("a", "1", "H 7", "v1", "g", "train"), ("b", "1", "H 7", "v1", "g", "train")], "same photo"),
        ([("a", "1", "", "v1", "g", "train"), ("b", "1", "", "v2", "h", "test")], "same photo"),
        ([("a", "1", "H 7", "v1", "g", "train"), ("b", "2", " h  7", "v2", "h", "train")], "One machine"),
        ([("a", "1", "", "v1", "g", "train"), ("b", "2", "H 7", "v1", "h", "test")], "visit or return"),
        ([("a", "1", "", "v1", "g", "train"), ("b", "2", "", "v2", "g", "test")], "two splits"),
    ],
)
def test_part_that_could_be_in_two_splits_is_refused_by_name(rows: list[tuple[str, ...]], words: str) -> None:
    fine = placed("c", "9", "H 9", "v9", "z", "test")
    with pytest.raises(NotApart, match=words) as caught:
        demand_apart([placed(*row) for row in rows] + [fine])  # type: ignore[call-arg]
    assert caught.value.names == ("a", "b")
    assert "a, b" in str(caught.value)


def test_many_names_are_counted() -> None:
    rows = [placed(f"e{n:02}", "same", "", f"v{n}", f"g{n}", "train") for n in range(9)]
    with pytest.raises(NotApart, match="e05 and 3 more"):
        demand_apart(rows)


FIELD = st.sampled_from(["", "A", "a ", "B"])


@given(st.lists(st.tuples(st.integers(0, 9), FIELD, st.sampled_from("vwx"), st.sampled_from("gh"), st.booleans())))
def test_what_passes_has_no_machine_capture_photo_or_group_in_two_splits(
    rows: list[tuple[int, str, str, str, bool]],
) -> None:
    """Checked against a plain walk over all pairs."""
    photos = [
        placed(f"{n}", str(photo), machine, capture, group, "test" if test else "train")
        for n, (photo, machine, capture, group, test) in enumerate(rows)
    ]
    try:
        demand_apart(photos)
    except NotApart:
        return
    for one in photos:
        for other in photos:
            same_machine = one.machine and one.machine.strip().lower() == other.machine.strip().lower()
            akin = (
                same_machine or one.capture == other.capture or one.group == other.group or one.sha256 == other.sha256
            )
            assert not akin or one.split == other.split


@given(st.lists(st.tuples(FIELD, st.sampled_from("vwxyz"))))
def test_groups_and_splits_as_the_library_makes_them_pass(rows: list[tuple[str, str]]) -> None:
    """Of one machine each capture: then nothing is refused."""
    owner: defaultdict[str, str] = defaultdict(str)
    photos = []
    for number, (machine, capture) in enumerate(rows):
        machine = owner.setdefault(capture, machine)
        group = group_of(machine, capture)
        photos.append(placed(f"{number}", f"photo {number}", machine, capture, group, split_of(group)))
    demand_apart(photos)
