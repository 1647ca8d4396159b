"""What is flagged about a photo of a claim, and what is not, on both databases where the index works."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from sqlalchemy import func, select

from wearvision_api import honesty
from wearvision_api.store.honesty_tables import Likeness, Mark
from wearvision_api.store.return_tables import Flag, ReturnPhoto
from wearvision_api.store.tables import InstalledPhoto, Machine

from .conftest import Desk, drawn, saved
from .edits import EDITS, anyhow

TAKEN, CHANGED, WIDE, HIGH = 0x9003, 0x0132, 0xA002, 0xA003
MOST_KEPT = 8000
"""Bytes of a photo's picture and marks."""


def kinds(desk: Desk, *args: object) -> set[str]:
    return {one.kind for one in desk.look(*args)}  # type: ignore[arg-type]


@pytest.mark.on_both
def test_the_same_file_in_another_return_is_flagged_with_that_photo(desk: Desk) -> None:
    data = saved(drawn(1))
    first, second = desk.claim(), desk.claim()
    old, new = desk.add(first, data), desk.add(second, data)
    found = desk.likeness(second, new)
    assert [(one.kind, one.other) for one in found] == [("same photo", old)]
    assert first.number in found[0].reason


@pytest.mark.on_both
def test_an_edited_copy_in_another_return_is_flagged_with_its_figures(desk: Desk) -> None:
    picture = drawn(2)
    for seed in range(20, 26):
        desk.add(desk.claim(), saved(drawn(seed)))
    first, second = desk.claim(), desk.claim()
    old = desk.add(first, saved(picture))
    new = desk.add(second, saved(anyhow(picture, np.random.default_rng(3))))
    found = desk.likeness(second, new)
    assert [(one.kind, one.other) for one in found] == [("nearly the same photo", old)]
    assert "% is covered" in found[0].reason
    assert first.number in found[0].reason


@pytest.mark.parametrize("edit", EDITS)
def test_each_edit_is_seen_through(edit: str, desk: Desk) -> None:
    picture = drawn(4)
    old = desk.add(desk.claim(), saved(picture))
    claim = desk.claim()
    found = desk.likeness(claim, desk.add(claim, saved(EDITS[edit](picture))))
    assert [one.other for one in found] == [old]


def test_another_scene_is_not_flagged(desk: Desk) -> None:
    for seed in range(30, 40):
        desk.add(desk.claim(), saved(drawn(seed)))
    claim = desk.claim()
    assert desk.likeness(claim, desk.add(claim, saved(drawn(40)))) == []


def test_views_and_pairs_of_one_return_are_not_flagged(desk: Desk) -> None:
    claim, data = desk.claim(), saved(drawn(5))
    desk.add(claim, data)
    assert desk.likeness(claim, desk.add(claim, data, "housing")) == []
    assert desk.likeness(claim, desk.add(claim, saved(drawn(5), 70), "wiped-face")) == []


def test_a_photo_put_aside_as_misplaced_is_not_held_against_its_right_place(desk: Desk) -> None:
    data = saved(drawn(6))
    desk.add(desk.claim(), data, "aside")
    claim = desk.claim()
    assert desk.likeness(claim, desk.add(claim, data)) == []


@pytest.mark.parametrize(
    ("view", "machines", "hours", "flagged"),
    [
        ("plate", ("H-1", "h-1 "), (500, 900), False),
        ("plate", ("H-1", "H-2"), (500, 500), True),
        ("hour-meter", ("H-1", "H-1"), (500, 500), False),
        ("hour-meter", ("H-1", "H-1"), (500, 900), True),
        ("face", ("H-1", "H-1"), (500, 500), True),
    ],
)
def test_parts_of_one_machine_share_its_plate_and_meter_but_not_their_own_photo(
    view: str, machines: tuple[str, str], hours: tuple[float, float], flagged: bool, desk: Desk
) -> None:
    data = saved(drawn(7))
    first, second = (
        desk.claim(machine=machine, hours_failed=read) for machine, read in zip(machines, hours, strict=True)
    )
    desk.add(first, data, view)
    assert bool(desk.likeness(second, desk.add(second, data, view))) is flagged


def test_the_machines_photo_as_installed_may_come_back_with_each_of_its_parts(desk: Desk) -> None:
    data = saved(drawn(8))
    desk.session.add(Machine(id="m", owner_id="a", identifier="H-8", interval_hours=500, interval_days=365))
    first, second = desk.claim(machine_id="m"), desk.claim(machine_id="m")
    old = desk.add(first, data)
    new = desk.add(second, data)
    assert desk.likeness(second, new)
    desk.session.add(InstalledPhoto(machine_id="m", part="flame_cell", photo_id=old.photo_id))
    desk.session.flush()
    assert desk.likeness(second, new) == []


def test_tags_are_told_apart(desk: Desk) -> None:
    first, second = desk.claim(), desk.claim()
    old = desk.add(first, saved(drawn(9)))
    data = saved(drawn(10))
    own = {"number": second.number, "others": []}
    assert not {"no tag", "tag of another return"} & kinds(desk, second, desk.put(second, data, tag=own))
    assert "no tag" in kinds(desk, second, desk.put(second, data, tag=None))
    for tag in ({"number": first.number, "others": []}, {"number": second.number, "others": [first.number]}):
        found = [
            one for one in desk.look(second, desk.put(second, data, tag=tag)) if one.kind == "tag of another return"
        ]
        assert [one.other for one in found] == [old]
        assert first.number in found[0].reason
        assert second.number in found[0].reason


@pytest.mark.parametrize(
    ("taken", "view", "own_tag", "flagged"),
    [
        ("2026:03:01 10:00:00", "face", True, set()),
        ("2025:12:31 10:00:00", "face", True, {"taken before fitted"}),
        ("2025:12:31 10:00:00", "plate", True, set()),
        ("2026:03:12 10:00:00", "face", False, {"taken after claimed"}),
        ("2026:03:12 10:00:00", "face", True, set()),
        ("2099:01:01 10:00:00", "face", True, {"taken after claimed"}),
        ("    :  :     :  :  ", "face", True, {"no capture time"}),
        (None, "face", True, {"no capture time"}),
    ],
)
def test_capture_time_is_held_against_the_claims_dates(
    taken: str | None, view: str, own_tag: bool, flagged: set[str], desk: Desk
) -> None:
    claim = desk.claim(installed_on=date(2026, 1, 15))
    data = saved(drawn(11), exif={} if taken is None else {TAKEN: taken})
    row = desk.put(claim, data, view, **({} if own_tag else {"tag": None}))
    dated = {"taken before fitted", "taken after claimed", "no capture time", "edited"}
    assert kinds(desk, claim, row) & dated == flagged


@pytest.mark.parametrize(
    ("exif", "flagged"),
    [
        ({TAKEN: "2026:03:01 10:00:00", CHANGED: "2026:03:01 10:00:01", WIDE: 480, HIGH: 360}, False),
        ({TAKEN: "2026:03:01 10:00:00", CHANGED: "2026:03:04 18:30:00"}, True),
        ({TAKEN: "2026:03:01 10:00:00", WIDE: 4000, HIGH: 3000}, True),
        ({TAKEN: "2026:03:01 10:00:00", WIDE: 360, HIGH: 480}, False),
    ],
)
def test_signs_of_a_change_after_the_exposure_are_told_modestly(
    exif: dict[int, object], flagged: bool, desk: Desk
) -> None:
    claim = desk.claim()
    found = [one for one in desk.look(claim, desk.put(claim, saved(drawn(12), exif=exif))) if one.kind == "edited"]
    assert bool(found) is flagged
    assert all("can do that" in one.reason for one in found)


def test_the_same_serial_is_told_once_not_for_each_photo(desk: Desk) -> None:
    first = desk.claim(serial="K-77")
    old = desk.add(first, saved(drawn(13)))
    desk.claim(serial="")
    claim = desk.claim(serial="k-77 ")
    found = [one for one in desk.look(claim, desk.put(claim, saved(drawn(14)))) if one.kind == "same serial"]
    assert [one.other for one in found] == [old]
    desk.session.add(Flag(id="f", return_id=claim.id, kind=found[0].kind, reason=found[0].reason))
    desk.session.flush()
    assert "same serial" not in kinds(desk, claim, desk.put(claim, saved(drawn(15)), "housing"))
    other_part = desk.claim(serial="K-77", part="coupler")
    assert "same serial" not in kinds(desk, other_part, desk.put(other_part, saved(drawn(16)), "end-pump"))


@pytest.mark.on_both
def test_what_is_kept_of_a_photo_is_small_and_goes_when_it_is_erased(desk: Desk) -> None:
    claim = desk.claim()
    row = desk.add(claim, saved(np.random.default_rng(1).integers(0, 256, (300, 400, 3), dtype=np.uint8)))
    kept = desk.session.scalars(select(Likeness)).one()
    assert 0 < len(kept.picture) + len(kept.marks) <= MOST_KEPT
    assert row.photo_id is not None
    honesty.forget(desk.session, row.photo_id)
    counted = [desk.session.scalar(select(func.count()).select_from(table)) for table in (Likeness, Mark)]
    assert counted == [0, 0]


@pytest.mark.on_both
def test_rows_of_the_index_go_with_the_photo_when_the_transaction_is_taken_back(desk: Desk) -> None:
    desk.session.commit()
    desk.add(desk.claim(), saved(drawn(17)))
    assert desk.session.scalar(select(func.count()).select_from(Mark))
    desk.session.rollback()
    assert not desk.session.scalar(select(func.count()).select_from(Mark))


@pytest.mark.on_both
def test_remember_all_makes_up_for_what_is_lacking_and_then_finds_nothing_to_do(desk: Desk) -> None:
    picture = drawn(18)
    first = desk.claim()
    old = desk.put(first, saved(picture))
    lost = desk.put(first, saved(drawn(19)), "housing")
    marked = desk.add(first, saved(drawn(50)), "with-tag")
    desk.session.execute(Mark.__table__.delete())  # as a backup leaves them out
    desk.session.get_one(ReturnPhoto, lost.id).sha256 = "0" * 64  # no such bytes
    desk.session.commit()
    assert honesty.remember_all(desk) == 2
    assert honesty.remember_all(desk) == 0
    for earlier, copied in ((old, picture), (marked, drawn(50))):
        claim = desk.claim()
        assert [one.other for one in desk.likeness(claim, desk.add(claim, saved(EDITS["mirrored"](copied))))] == [
            earlier
        ]
