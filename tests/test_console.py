"""The report for a person at a terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.console import Console

from wearvision.console import WIDE, check_view, out, report_view
from wearvision.fitness import Fault, FaultKind
from wearvision.report import MeasureLine, Report, SettingLine
from wearvision.standard import CAUTIONS, GRADES, causes_for, checks_for, load_limits

LIMITS = load_limits()
LINES = (
    MeasureLine("film_loss", "film", 0.123, 0.045, 0.267, grade="serviceable", note="Film is thin."),
    MeasureLine("haze", "clouding", 0.456, 0.401, 0.589, grade="replace"),
    MeasureLine("crack_ratio", "crack", None, reason="not_resolvable"),
)
REPORT = Report(
    "cell [bold].jpg",
    "00",
    True,
    part={"name": "flame_cell", "probability": 0.99, "view": "face"},
    grade="clean-and-reuse",
    possible_grades=("clean-and-reuse", "replace"),
    probabilities=dict(zip(GRADES, (0.1, 0.3, 0.6), strict=True)),
    not_seen=("crack",),
    measures=LINES,
    settings=(SettingLine("spark_gap", 3.4, 3.1, 3.7, note="Beside the card."),),
    checks=checks_for("flame_cell", "replace"),
    causes=causes_for("flame_cell", ["clouding"]),
    cautions=CAUTIONS,
)


def printed(view: object, width: int = 120) -> str:
    console = Console(width=width, record=True, highlight=False)
    with console.capture() as capture:
        console.print(view)
    return capture.get()


@pytest.mark.parametrize("width", [80, WIDE, 160])
def test_every_number_interval_and_grade_is_whole(width: int) -> None:
    text = printed(report_view(REPORT, LIMITS), width)
    for words in ("0.123", "0.045-0.267", "0.456", "0.401-0.589", "film", "clouding", "not seen", "clean-and-reuse"):
        assert words in text
    assert "…" not in text


@pytest.mark.parametrize("grade", GRADES)
def test_each_grade_is_a_word_and_a_mark_of_its_own(grade: str) -> None:
    text = printed(report_view(replace(REPORT, grade=grade, possible_grades=(grade,)), LIMITS))
    assert grade in text.splitlines()[0]
    assert {"serviceable": "○", "clean-and-reuse": "◐", "replace": "●"}[grade] in text


def test_doubt_probabilities_notes_settings_and_file_name_are_printed() -> None:
    text = printed(report_view(REPORT, LIMITS))
    for words in (
        "cell [bold].jpg",
        "in doubt: replace is possible",
        "replace 60%",
        "Film is thin.",
        "Beside the card.",
    ):
        assert words in text
    assert "Not seen, so not cleared: crack." in text


def test_checks_causes_and_cautions_are_printed_unless_left_out() -> None:
    text = " ".join(printed(report_view(REPORT, LIMITS), 400).split())
    assert all(check.title in text for check in REPORT.checks)
    assert all(caution in text for caution in CAUTIONS)
    brief = printed(report_view(REPORT, LIMITS, checks=False), 400)
    assert not any(check.title in brief for check in REPORT.checks)


def test_bar_has_interval_value_and_limits() -> None:
    line = next(row for row in printed(report_view(REPORT, LIMITS)).splitlines() if "0.456" in row)
    assert line.count("◆") == 1
    assert "─" in line
    assert "│" in line


def test_unusable_report_shows_faults_or_refusal_and_no_grade() -> None:
    fault = Fault(FaultKind.BLURRED, 3.0, 2.0, "Hold the camera still.")
    text = printed(report_view(Report("a.jpg", "00", False, faults=(fault,)), LIMITS))
    assert "not judged" in text
    assert "Hold the camera still." in text
    assert "No part here." in printed(report_view(Report("a.jpg", "00", False, refusal="No part here."), LIMITS))
    assert not any(grade in text for grade in GRADES)


def test_check_in_full_has_steps_reading_and_source() -> None:
    for check in checks_for("flame_cell", "replace"):
        text = " ".join(printed(check_view(check), 1000).split())
        for words in (check.title, check.why, *check.steps, *check.cautions, check.source):
            assert " ".join(words.split()) in text
        assert ("Reading:" in text) == (check.reading is not None)


def test_pipe_is_as_wide_as_the_table_needs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    assert out().width == WIDE
    monkeypatch.setenv("COLUMNS", "70")
    assert out().width == 70
