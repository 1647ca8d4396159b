"""Grading again without the photo: with the same limits nothing changes; with others it is what the photo would get."""

from __future__ import annotations

import contextlib
import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wearvision.errors import ModelError, RegradeError
from wearvision.grade import Grader
from wearvision.regrade import Regrader, with_basis
from wearvision.standard import Limits, load_limits
from wearvision.standard.limits import override_limits

LIMITS = load_limits()


def plain(report: Any) -> dict[str, Any]:
    """As it is read back from a file."""
    found: dict[str, Any] = json.loads(json.dumps(with_basis(report)))
    return found


@pytest.fixture(scope="module")
def records(grader: Grader, drawn_photos) -> list[dict[str, Any]]:
    """Reports of every view, of two views of one part, and of a photo beside one of the part when new."""
    found = [plain(grader.grade(one.path)) for one in drawn_photos.values()]
    sides = [drawn_photos["coupler", "side"].path, drawn_photos["coupler", "end"].path]
    cell = drawn_photos["flame_cell", "face"].path
    return [*found, plain(grader.grade_part(sides)), plain(grader.grade(cell, reference=cell))]


def scaled(factor: float) -> Limits:
    """Limits with every threshold times a factor."""
    names = ("serviceable_below", "clean_from", "clean_to", "replace_from")
    tables: dict[str, Any] = {"id": f"times {factor}"}
    for (part, measure), row in LIMITS.rows.items():
        given = {name: getattr(row, name) for name in names if getattr(row, name) is not None}
        tables.setdefault(part, {})[measure] = {name: value * factor for name, value in given.items()}
    return override_limits(LIMITS, tables, "scaled")


def told(record: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in record.items() if name not in ("milliseconds", "before")}


def test_with_the_same_limits_nothing_changes(records: list[dict[str, Any]], model_folder: Path) -> None:
    again = Regrader(model=model_folder)
    for record in records:
        new = json.loads(json.dumps(again.regrade(record)))
        assert new["before"]["grade"] == record["grade"]
        assert {**told(new), "milliseconds": record["milliseconds"]} == record


@pytest.mark.parametrize("factor", [0.01, 0.3, 0.8, 1.5, 4.0])
def test_with_other_limits_it_is_what_the_photo_gets(
    records: list[dict[str, Any]], drawn_photos, model_folder: Path, factor: float
) -> None:
    limits = scaled(factor)
    fresh, again = Grader(model_folder, limits), Regrader(limits, model_folder)
    for record, drawn in zip(records, drawn_photos.values(), strict=False):
        assert told(json.loads(json.dumps(again.regrade(record)))) == told(plain(fresh.grade(drawn.path)))


def test_limits_do_change_grades_in_that_test(records: list[dict[str, Any]], model_folder: Path) -> None:
    graded = {factor: Regrader(scaled(factor), model_folder) for factor in (0.01, 4.0)}
    assert any(len({again.regrade(record)["grade"] for again in graded.values()}) > 1 for record in records)


def test_a_brief_report_stays_brief(records: list[dict[str, Any]], model_folder: Path) -> None:
    brief = {name: value for name, value in records[0].items() if name not in ("checks", "causes")}
    assert not {"checks", "causes"} & set(Regrader(model=model_folder).regrade(brief))


def test_a_photo_that_could_not_be_judged_stays_so() -> None:
    record = dict.fromkeys(("grade", "possible_grades", "probabilities", "model", "limits"))
    new = Regrader(scaled(2.0)).regrade({**record, "usable": False})
    assert (new["grade"], new["limits"]["id"]) == (None, "times 2.0")


def test_a_report_of_another_model_is_refused(records: list[dict[str, Any]], model_folder: Path) -> None:
    other = {**records[0], "model": {**records[0]["model"], "sha256": "0" * 64}}
    with pytest.raises(RegradeError, match="sha256 is not that of the model"):
        Regrader(model=model_folder).regrade(other)
    unknown = {**records[0], "model": {**records[0]["model"], "id": "no-such"}}
    with pytest.raises(ModelError, match="no-such"):
        Regrader().regrade(unknown)


def test_a_report_without_its_basis_is_refused(records: list[dict[str, Any]], model_folder: Path) -> None:
    again = Regrader(model=model_folder)
    with pytest.raises(RegradeError, match="basis"):
        again.regrade({name: value for name, value in records[0].items() if name != "basis"})
    with pytest.raises(RegradeError, match="no report"):
        again.regrade({"photo": "x"})


WORTHLESS = st.sampled_from([None, "x", -1, [], {}, "nan", 1e400, True])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_damaged_basis_gives_our_error_or_a_report(
    records: list[dict[str, Any]], model_folder: Path, data: st.DataObject
) -> None:
    record = copy.deepcopy(data.draw(st.sampled_from(records)))
    at: Any = record["basis"]
    while True:
        keys = list(at) if isinstance(at, dict) else list(range(len(at)))
        key = data.draw(st.sampled_from(keys))
        if not isinstance(at[key], dict | list) or not at[key] or data.draw(st.booleans()):
            at[key] = data.draw(WORTHLESS)
            break
        at = at[key]
    with contextlib.suppress(RegradeError):
        assert "grade" in Regrader(model=model_folder).regrade(record)
