"""The tables of hand checks and causes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wearvision.errors import LimitsError, UnknownPart
from wearvision.parts import PARTS
from wearvision.standard import causes_for, checks_for, load_causes, load_checks, load_limits

TOML = """
[[check]]
id = "{id}"
part = "flame_cell"
modes = ["scorch"]
title = "Dark resistance"
why = "as our own control wants it"
source = "{source}"
[check.reading]
quantity = "dark resistance"
unit = "ohm"
expect = {{ low = 20000 }}
answers = [
    {{ from = 0, below = 20000, says = "replace", text = "Leaky." }},
    {{ from = {start}, says = "{says}", text = "Fine." }},
]
"""


def written(tmp_path: Path, **values: object) -> Path:
    file = tmp_path / "site.toml"
    defaults = {"id": "cell-dark", "source": "our control's manual", "start": 20000, "says": "good"}
    file.write_text(TOML.format(**(defaults | values)))
    return file


@pytest.mark.parametrize("part", PARTS.values(), ids=lambda part: part.key)
def test_every_mode_and_grade_has_a_check_that_can_clear_and_one_that_can_condemn(part) -> None:
    limits = load_limits()
    for mode in part.modes:
        for grade in limits.row(part.key, mode.measure).grades:
            found = [check for check in checks_for(part.key, grade, [mode.key]) if check.reading]
            says = {(answer.says, mode.key in c.clears) for c in found for answer in c.reading.answers}
            assert ("good", True) in says, (mode.key, grade)
            if mode.key in {m for c in found for m in c.modes} and grade == "replace":
                assert {"replace"} & {one for one, _ in says}


@pytest.mark.parametrize("check", load_checks().rows.values(), ids=lambda check: check.id)
def test_check_is_complete_and_plain_json(check) -> None:
    assert check.title
    assert check.why.endswith(".")
    assert check.steps
    assert check.needs
    assert check.cautions
    assert check.source
    record = json.loads(json.dumps(check.to_dict()))
    assert {"id", "title", "why", "steps", "reading", "cautions", "source"} <= set(record)
    assert check.stands_for in ("", *load_checks().rows)
    if check.reading:
        assert {"quantity", "unit", "expect"} <= set(record["reading"])
        assert check.reading.unit or check.reading.expect["text"] in check.reading.words


def test_checks_are_chosen_by_grade_and_mode() -> None:
    names = [check.id for check in checks_for("flame_cell", "serviceable", ["crack"])]
    assert names == ["cell-crack"]
    assert "cell-replace" in [check.id for check in checks_for("flame_cell", "replace", ["crack"])]
    with pytest.raises(UnknownPart):
        checks_for("toaster")


def test_ohms_never_speak_for_crack_or_housing_of_the_cell() -> None:
    for check in checks_for("flame_cell"):
        if check.reading and check.reading.unit == "ohm":
            assert not {"crack", "housing"} & set(check.modes)


def test_every_mode_that_wears_has_a_cause() -> None:
    for part in PARTS.values():
        for mode in part.modes:
            found = causes_for(part.key, [mode.key])
            assert found, (part.key, mode.key)
            assert all(cause.look_at and cause.source for cause in found)
    assert causes_for("coupler", []) == ()
    assert {"title", "look_at", "source"} == set(load_causes()[0].to_dict())


def test_site_file_replaces_a_check_and_may_be_the_file_of_limits(tmp_path: Path) -> None:
    file = written(tmp_path)
    file.write_text(file.read_text() + "\n[flame_cell.haze]\nreplace_from = 0.5\n")
    site = load_checks(file)
    assert site.rows["cell-dark"].reading.expect == {"low": 20000}
    assert site.rows["cell-lit"] == load_checks().rows["cell-lit"]
    assert load_limits(file).row("flame_cell", "haze").replace_from == 0.5
    assert load_checks().rows["cell-dark"].reading.expect == {"low": 50000}


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"id": "cell-smell"}, "check 'cell-smell': no such row"),
        ({"source": ""}, "check 'cell-dark': source is empty"),
        ({"says": "perhaps"}, "check 'cell-dark': unknown saying 'perhaps'"),
        ({"start": 30000}, "leave a hole between 20000 and 30000"),
        ({"start": 10000}, "cross or leave a hole"),
        ({"start": "nan"}, "is empty"),
    ],
)
def test_bad_check_names_file_row_and_reason(tmp_path: Path, values: dict[str, object], reason: str) -> None:
    with pytest.raises(LimitsError) as caught:
        load_checks(written(tmp_path, **values))
    assert "site.toml" in str(caught.value)
    assert reason in str(caught.value)


def test_missing_key_and_file_are_named(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text('[[check]]\nid = "cell-dark"\npart = "flame_cell"\nmodes = []\n')
    with pytest.raises(LimitsError, match=r"check 'cell-dark': .* is missing"):
        load_checks(tmp_path / "site.toml")
    with pytest.raises(LimitsError, match="cannot be read"):
        load_checks(tmp_path / "none.toml")
