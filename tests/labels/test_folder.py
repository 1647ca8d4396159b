"""The labelled folder: what is written is read again, and what is damaged or hostile is refused with file and line."""

from __future__ import annotations

import hashlib
import io
import json
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from wearvision.labels import FolderError, Labelled, Truth, group_of, read_folder, split_of, write_folder
from wearvision.labels.bounds import AtLeast, Bound
from wearvision.labels.folder import LINES, SET, TABLE
from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES

LIMITS = load_limits()


def photo(seed: int, form: str = "JPEG") -> bytes:
    rng = np.random.default_rng(seed)
    out = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (80, 120, 3), np.uint8)).save(out, form)
    return out.getvalue()


def item(seed: int, **more: Any) -> Labelled:
    data = photo(seed)
    group = group_of(more.pop("machine", f"machine {seed}"), "")
    mask = np.zeros((80, 120), bool)
    mask[20:50, 30 : 40 + seed] = True
    values: dict[str, Any] = {
        "sha256": hashlib.sha256(data).hexdigest(),
        "photo": data,
        "machine": f"machine {seed}",
        "group": group,
        "split": split_of(group),
        "at_random": bool(seed % 2),
        "truth": Truth(
            "flame_cell", "face", True, (), "replace", ("clean-and-reuse", "replace"),
            {"haze": Bound(0.3, 1.0, None, "mode")}, None, "agreed",
        ),
        "labels": ({"author": "p1", "turn": 1, "at": "2026-01-05", "body": {"part": "flame_cell", "note": "=1+1\n"}},),
        "masks": {"rim": mask, "other tip": ~mask},
    }  # fmt: skip
    return Labelled(**values | more)


@st.composite
def truths(draw: st.DrawFn) -> Truth:
    part = draw(st.sampled_from([*PARTS, "none"]))
    rank = draw(st.sampled_from(["one", "agreed", "third", "pair", "reading"]))
    if part == "none" or draw(st.booleans()):
        return Truth(part, None, part == "none", () if part == "none" else ("glare", "blurred"), rank=rank)
    spec = PARTS[part]
    view = draw(st.sampled_from(spec.views))
    grade = draw(st.sampled_from(GRADES))
    bounds = {}
    for mode in spec.modes:
        if draw(st.booleans()):
            ends = sorted(draw(st.floats(0, 1)) for _ in range(3))
            value = draw(st.sampled_from([None, ends[1]]))
            bounds[mode.measure] = Bound(ends[0], ends[2], value, draw(st.sampled_from(["grade", "mark", "reading"])))
    lead = draw(st.sampled_from([None, AtLeast(grade, (spec.modes[0].key, spec.modes[-1].key))]))
    acceptable = tuple(one for one in GRADES if one == grade or draw(st.booleans()))
    return Truth(part, view, True, (), grade, acceptable, bounds, lead, rank)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(truths(), st.text(max_size=20), st.booleans()), min_size=1, max_size=4))
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[Truth, str, bool]]) -> None:
    folder = tmp_path_factory.mktemp("set") / "folder"
    items = [
        item(number, truth=truth, at_random=drawn, labels=({"author": "p", "body": {"note": text}},))
        for number, (truth, text, drawn) in enumerate(rows)
    ]
    digest = write_folder(folder, "Ostvale Hire", items, LIMITS)
    found = read_folder(folder)
    assert (found.name, found.sha256, found.frozen, len(found)) == ("Ostvale Hire", digest, True, len(items))
    assert found.limits == {"id": LIMITS.id, "sha256": LIMITS.sha256}
    held = {one.sha256: one for one in found}
    for one in items:
        same = held[one.sha256]
        assert same.truth.to_dict() == one.truth.to_dict()
        assert (same.machine, same.group, same.split, same.at_random) == (
            one.machine, one.group, one.split, one.at_random,
        )  # fmt: skip
        assert same.labels == one.labels
        assert same.read_bytes() == one.photo, "a photo without metadata stays as it is"
        assert set(same.masks) == set(one.masks)
        assert all(np.array_equal(same.masks[name], mask) for name, mask in one.masks.items())


def test_the_hash_does_not_hang_on_order_or_time(tmp_path: Path) -> None:
    items = [item(1), item(2), item(3)]
    first = write_folder(tmp_path / "a", "s", items, LIMITS)
    assert write_folder(tmp_path / "b", "s", items[::-1], LIMITS) == first
    assert write_folder(tmp_path / "c", "s", [*items[:2], item(3, at_random=False)], LIMITS) != first


def test_what_is_read_can_be_written_again_to_the_same_hash(tmp_path: Path) -> None:
    first = write_folder(tmp_path / "a", "s", [item(1), item(2)], LIMITS)
    again = read_folder(tmp_path / "a")
    assert write_folder(tmp_path / "b", "s", again, dict(again.limits)) == first


@pytest.mark.parametrize(
    "wrong",
    [
        [item(1), item(1)],
        [item(1, sha256="../../x")],
        [item(1, split="training")],
        [item(1, masks={"../x": np.zeros((80, 120), bool)})],
        [item(1, masks={"rim": np.zeros((80, 120), np.uint8)})],
        [item(1, split="train", group="g"), item(2, split="test", group="g")],
    ],
)
def test_what_must_not_be_written_is_refused(tmp_path: Path, wrong: list[Labelled]) -> None:
    with pytest.raises(FolderError):
        write_folder(tmp_path / "x", "s", wrong, LIMITS)
    assert not (tmp_path / "x" / SET).exists()


def test_a_folder_with_something_in_it_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(FolderError, match="not empty"):
        write_folder(tmp_path, "s", [item(1)], LIMITS)


def relined(folder: Path, change: Callable[[list[Any]], None]) -> None:
    """Changes lines of a written folder and puts the hash right, as somebody hostile would."""
    lines = [json.loads(line) for line in (folder / LINES).read_text().splitlines()]
    change(lines)
    text = "".join((line if isinstance(line, str) else json.dumps(line)) + "\n" for line in lines).encode()
    (folder / LINES).write_bytes(text)
    head = json.loads((folder / SET).read_text())
    (folder / SET).write_text(json.dumps(head | {"sha256": hashlib.sha256(text).hexdigest()}))


def first(**changes: Any) -> Callable[[list[Any]], None]:
    return lambda lines: lines[0].update(changes)


def bounded(body: Any) -> Callable[[list[Any]], None]:
    return lambda lines: lines[0]["truth"].update(bounds={"haze": body})


HOSTILE: dict[str, Callable[[list[Any]], None]] = {
    "out of the folder": first(file="photos/../../secret"),
    "another root": first(file="/etc/hostname"),
    "another folder": first(file="set.json"),
    "not there": first(file="photos/none.jpg"),
    "a bad hash": first(file_sha256="0" * 64),
    "no hash": first(sha256="x"),
    "a hash as a way out": first(sha256="../" * 21 + "x"),
    "a split of its own": first(split="all"),
    "a field of its own": first(extra=1),
    "a truth of another kind": first(truth=[]),
    "a part of its own": lambda lines: lines[0]["truth"].update(part="wheel"),
    "a grade of its own": lambda lines: lines[0]["truth"].update(grade="fine"),
    "a measure of another part": lambda lines: lines[0]["truth"].update(bounds={"bow_ratio": {"low": 0, "high": 1}}),
    "a bound the wrong way": bounded({"low": 0.5, "high": 0.1}),
    "a bound under zero": bounded({"low": -1, "high": 0.1}),
    "a bound without end": bounded({"low": 0, "high": 10**400}),
    "a bound of words": bounded({"low": "0", "high": True}),
    "a mask out of the folder": first(masks={"../rim": "0" * 64}),
    "a mask that is missing": first(masks={"crack": "0" * 64}),
    "a mask with another hash": first(masks={"rim": "0" * 64}),
    "labels that are none": first(labels=["x"]),
    "the same twice": lambda lines: lines.append(dict(lines[0])),
    "no object": lambda lines: lines.insert(0, "[1, 2]"),
    "no JSON": lambda lines: lines.insert(0, "{"),
    "not a number": lambda lines: lines.insert(0, '{"at_random": NaN}'),
    "deep nesting": lambda lines: lines.insert(0, "[" * 100_000),
    "an endless line": lambda lines: lines.insert(0, json.dumps({"x": "y" * 2**21})),
    "a group in two splits": lambda lines: lines[1].update(
        group=lines[0]["group"], split="test" if lines[0]["split"] == "train" else "train"
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_line_is_refused_with_its_number(tmp_path: Path, name: str) -> None:
    write_folder(tmp_path / "s", "s", [item(1), item(2)], LIMITS)
    relined(tmp_path / "s", HOSTILE[name])
    with pytest.raises(FolderError) as caught:
        read_folder(tmp_path / "s")
    assert caught.value.file == LINES
    assert caught.value.line in (1, 2, 3)
    assert f"{LINES}, line {caught.value.line}: " in str(caught.value)


def test_a_changed_line_is_found_by_the_hash(tmp_path: Path) -> None:
    write_folder(tmp_path, "s", [item(1)], LIMITS)
    text = (tmp_path / LINES).read_text().replace("machine 1", "machine 2")
    (tmp_path / LINES).write_text(text)
    with pytest.raises(FolderError, match=r"set\.json vouches"):
        read_folder(tmp_path)


def test_a_changed_photo_is_found(tmp_path: Path) -> None:
    write_folder(tmp_path, "s", [item(1)], LIMITS)
    next((tmp_path / "photos").iterdir()).write_bytes(photo(5))
    with pytest.raises(FolderError, match=r"line 1.*changed"):
        read_folder(tmp_path)


@pytest.mark.parametrize("what", ["photo", "folder of masks", "lines"])
def test_links_are_refused(tmp_path: Path, what: str) -> None:
    held = tmp_path / "s"
    write_folder(held, "s", [item(1)], LIMITS)
    path = {"photo": next((held / "photos").iterdir()), "folder of masks": held / "masks", "lines": held / LINES}[what]
    moved = tmp_path / "elsewhere"
    path.rename(moved)
    path.symlink_to(moved)
    with pytest.raises(FolderError, match="link"):
        read_folder(held)


@pytest.mark.parametrize(
    ("mask", "word"),
    [
        (Image.new("L", (60, 60)), "shape"),
        (Image.new("L", (240, 160)), "shape"),
        (Image.new("RGB", (120, 80)), "grey"),
    ],
)
def test_a_mask_of_another_size_or_kind_is_refused(tmp_path: Path, mask: Image.Image, word: str) -> None:
    write_folder(tmp_path, "s", [item(1)], LIMITS)
    path = next((tmp_path / "masks").rglob("rim.png"))
    mask.save(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    relined(tmp_path, lambda lines: lines[0]["masks"].update(rim=digest))
    with pytest.raises(FolderError, match=f"line 1.*{word}"):
        read_folder(tmp_path)


def test_a_smaller_mask_of_the_same_shape_is_taken(tmp_path: Path) -> None:
    small = np.zeros((40, 60), bool)
    small[3:9] = True
    write_folder(tmp_path, "s", [item(1, masks={"rim": small})], LIMITS)
    assert np.array_equal(read_folder(tmp_path).items[0].masks["rim"], small)


@pytest.mark.parametrize("what", ["grey", "cut off"])
def test_a_mask_that_is_none_is_refused_when_it_is_asked_for(tmp_path: Path, what: str) -> None:
    write_folder(tmp_path, "s", [item(1)], LIMITS)
    path = next((tmp_path / "masks").rglob("rim.png"))
    if what == "grey":
        Image.new("L", (120, 80), 77).save(path)
    else:
        path.write_bytes(path.read_bytes()[:60])
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    relined(tmp_path, lambda lines: lines[0]["masks"].update(rim=digest))
    masks = read_folder(tmp_path).items[0].masks
    with pytest.raises(FolderError, match=r"rim\.png"):
        masks["rim"]


def test_a_photo_that_says_it_is_endless_is_refused(tmp_path: Path) -> None:
    by_hand(tmp_path, "file,part\n0.png,none\n")
    data = bytearray(photo(0, "PNG"))
    data[16:24] = (40_000).to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
    (tmp_path / "photos" / "0.png").write_bytes(bytes(data))
    with pytest.raises(FolderError, match="line 2"):
        read_folder(tmp_path)


def by_hand(folder: Path, table: str, photos: int = 3) -> Path:
    (folder / "photos").mkdir()
    for number in range(photos):
        (folder / "photos" / f"{number}.jpg").write_bytes(photo(number))
    (folder / TABLE).write_text(table, "utf-8")
    return folder


def test_a_table_made_by_hand_is_enough(tmp_path: Path) -> None:
    table = (
        "\ufefffile,machine,part,view,grade,haze,crack_ratio_low,crack_ratio_high\r\n"
        "0.jpg,OH 1,flame_cell,face,clean-and-reuse,0.2,,\r\n"
        '"photos/1.jpg",oh 1,flame_cell,,replace,,0.2,0.4\r\n'
        "2.jpg,,none,,,,,\r\n"
    )
    found = read_folder(by_hand(tmp_path, table))
    one, two, three = found.items
    assert not found.frozen
    assert (one.truth.grade, one.truth.rank, one.truth.bounds["haze"].value) == ("clean-and-reuse", "one", 0.2)
    assert two.truth.view == "face", "the only view of that part"
    assert (two.truth.bounds["crack_ratio"].low, two.truth.bounds["crack_ratio"].high) == (0.2, 0.4)
    assert one.group == two.group != three.group
    assert one.split == two.split
    assert three.truth.grade is None


def test_semicolons_are_taken_as_well(tmp_path: Path) -> None:
    found = read_folder(by_hand(tmp_path, "file;part;faults\n0.jpg;electrode;glare blurred\n"))
    assert found.items[0].truth.faults == ("glare", "blurred")
    assert not found.items[0].truth.fit


@pytest.mark.parametrize(
    ("row", "word"),
    [
        ("0.jpg,flame_cell,fine,,", "grade"),
        ("0.jpg,wheel,,,", "part"),
        ("0.jpg,coupler,serviceable,,", "grade"),
        ("0.jpg,flame_cell,replace,nan,", "haze"),
        ("0.jpg,flame_cell,replace,1e400,", "haze"),
        ("0.jpg,flame_cell,replace,-0.1,", "haze"),
        ("0.jpg,flame_cell,replace,\"0,2\",", "haze"),
        ("0.jpg,electrode,,0.2,", "haze"),
        ("../0.jpg,flame_cell,replace,,", "out of"),
        ("/etc/hostname,flame_cell,replace,,", "missing|out of"),
        ("9.jpg,flame_cell,replace,,", "missing"),
        ("0.jpg,flame_cell,replace", "cells"),
        ("0.jpg,flame_cell,replace,,maybe", "fit"),
        ('0.jpg,"flame_cell,replace,,', "cells|quot|end"),
    ],
)  # fmt: skip
def test_a_wrong_row_made_by_hand_is_refused_with_its_line(tmp_path: Path, row: str, word: str) -> None:
    by_hand(tmp_path, f"file,part,grade,haze,fit\n1.jpg,flame_cell,serviceable,,\n{row}\n")
    with pytest.raises(FolderError, match=f"line 3: .*({word})"):
        read_folder(tmp_path)


@pytest.mark.parametrize(
    ("head", "word"),
    [("file,part,grad", "grad"), ("file,machine", "part"), ("file,part,part", "twice"), ("", "file|empty|part")],
)
def test_wrong_columns_are_refused(tmp_path: Path, head: str, word: str) -> None:
    by_hand(tmp_path, f"{head}\n")
    with pytest.raises(FolderError, match=word):
        read_folder(tmp_path)


def test_the_same_photo_twice_in_a_table_is_refused(tmp_path: Path) -> None:
    by_hand(tmp_path, "file,part\n0.jpg,none\nsame.jpg,none\n")
    (tmp_path / "photos" / "same.jpg").write_bytes(photo(0))
    with pytest.raises(FolderError, match=r"line 3.*line 2"):
        read_folder(tmp_path)


def test_a_file_that_is_no_photo_is_refused(tmp_path: Path) -> None:
    by_hand(tmp_path, "file,part\n0.jpg,none\n")
    (tmp_path / "photos" / "0.jpg").write_text("not a photo")
    with pytest.raises(FolderError, match=r"line 2.*no photo"):
        read_folder(tmp_path)


def test_no_folder_and_an_empty_one(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="no folder"):
        read_folder(tmp_path / "none")
    with pytest.raises(FolderError, match=TABLE):
        read_folder(tmp_path)
