"""The report as plain JSON values."""

from __future__ import annotations

import json

import numpy as np

from wearvision.fitness import Fault, FaultKind
from wearvision.report import MeasureLine, Picture, Report, SettingLine


def test_measured_line_has_its_numbers_and_no_reason() -> None:
    line = MeasureLine("haze", "clouding", 0.123456, 0.1, 0.2, grade="replace").to_dict()
    assert line == {
        "name": "haze", "mode": "clouding", "value": 0.1235, "low": 0.1, "high": 0.2, "unit": "1",
        "grade": "replace", "agree": True,
    }  # fmt: skip


def test_unmeasured_line_has_its_reason_and_no_numbers() -> None:
    line = MeasureLine("haze", "clouding", None, reason="glare", note="A lamp.").to_dict()
    assert line == {"name": "haze", "mode": "clouding", "value": None, "reason": "glare", "note": "A lamp."}


def test_setting_line_keeps_an_open_answer_open() -> None:
    assert SettingLine("spark_gap", 3.40001, 3.1, 3.7).to_dict() == {
        "name": "spark_gap", "value": 3.4, "low": 3.1, "high": 3.7, "unit": "mm", "within": None,
    }  # fmt: skip
    assert SettingLine("spark_gap", 3.4, 3.1, 3.7, within=False, note="n").to_dict()["within"] is False


def test_numbers_of_numpy_become_plain_ones() -> None:
    line = MeasureLine("haze", "clouding", np.float32(0.25), np.float64(0.125), np.float32(0.5), grade="replace")
    report = Report("a.jpg", "00", True, measures=(line,), probabilities={"replace": np.float64(1.0)})
    assert json.loads(json.dumps(report.to_dict()))["measures"][0]["low"] == 0.125


def test_empty_report_is_whole_and_ungraded() -> None:
    record = Report("a.jpg", "00", False, faults=(Fault(FaultKind.BLURRED, 3.00001, 2.0, "Hold still."),)).to_dict()
    assert record["grade"] is None
    assert record["possible_grades"] == []
    assert record["part"] == {"name": None, "probability": 0.0, "view": None}
    assert record["faults"] == [{"kind": "blurred", "value": 3.0, "limit": 2.0, "advice": "Hold still."}]


def test_pictures_stay_out_of_the_json() -> None:
    picture = Picture(np.zeros((4, 4, 3), np.uint8), {}, {}, "a.jpg")
    assert "pictures" not in Report("a.jpg", "00", False, pictures=(picture,)).to_dict()
