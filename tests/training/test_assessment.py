"""The evaluation report: what is counted, by hand; what the page shows, by parsing it; the command from end to end."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

import wearvision_models
from wearvision.standard.grades import GRADES
from wearvision_training.__main__ import main
from wearvision_training.assessment import answers as answering
from wearvision_training.assessment.answers import Answers
from wearvision_training.assessment.changes import CHANGES, half_size, jpeg
from wearvision_training.assessment.compare import compare
from wearvision_training.assessment.figures import evaluate
from wearvision_training.assessment.intervals import f1_difference, mean
from wearvision_training.assessment.measures import present_f1
from wearvision_training.assessment.more_sections import comparison, errors, stress
from wearvision_training.assessment.page import Page, render
from wearvision_training.assessment.sections import sections
from wearvision_training.assessment.stress import falls
from wearvision_training.assessment.table import table
from wearvision_training.assessment.worst import worst
from wearvision_training.dataset import PictureSet, Plan, build

MODEL = Path(wearvision_models.__file__).parent / wearvision_models.DEFAULT
SURE = {"serviceable": [0.9, 0.05, 0.05], "clean-and-reuse": [0.1, 0.8, 0.1], "replace": [0.0, 0.1, 0.9]}


def case(
    truth: str,
    said: str | None,
    *,
    haze: float = 0.5,
    read: float = 0.5,
    accepted: list[str] | None = None,
    possible: list[str] | None = None,
    refusal: str | None = None,
    part: str = "flame_cell",
    recipe: dict[str, Any] | None = None,
) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """Label, report and recipe of one picture; not judged where ``said`` is None."""
    known = part != "none"
    label = {
        "part": part, "view": "face" if known else "", "family": "bevel", "measures": {"haze": haze} if known else {},
        "grade": truth if known else None, "acceptable_grades": accepted or ([truth] if known else []),
        "borderline": bool(accepted and len(accepted) > 1),
    }  # fmt: skip
    named = said is not None or (known and refusal is None)
    report = {
        "part": {"name": "flame_cell" if named else None, "view": "face" if named else None, "probability": 0.9},
        "grade": said,
        "refusal": refusal,
        "possible_grades": (possible or [said]) if said else [],
        "probabilities": dict(zip(GRADES, SURE[said], strict=True)) if said else {},
        "faults": [] if said or refusal else [{"kind": "blurred"}],
        "measures": [{"name": "haze", "value": read, "low": read - 0.05, "high": read + 0.05}] if said else [],
        "model": {"id": "m"}, "limits": {"id": "l"},
    }  # fmt: skip
    return label, report, recipe or {}


def answered(*cases: tuple[dict[str, Any], dict[str, Any], dict[str, Any]]) -> Answers:
    return Answers(*zip(*cases, strict=True))


@pytest.fixture
def mixed() -> Answers:
    """Twelve pictures with every kind of outcome."""
    return answered(
        case("replace", "replace", haze=0.6, read=0.58, recipe={"camera": {"tilt_deg": 3.0, "jpeg": 60}}),
        case("replace", "serviceable", haze=0.7, read=0.02, possible=["serviceable", "replace"]),
        case("replace", "serviceable", haze=0.5, read=0.05, recipe={"scene": {"light": {"kind": "sun"}}}),
        case("serviceable", "serviceable", haze=0.0, read=0.0, recipe={"engine": "pathtrace"}),
        case("serviceable", "clean-and-reuse", haze=0.0, read=0.2),
        case("clean-and-reuse", "clean-and-reuse", haze=0.2, read=0.21),
        case("clean-and-reuse", "serviceable", haze=0.12, read=0.1, accepted=["serviceable", "clean-and-reuse"]),
        case("serviceable", None, recipe={"camera": {"fault": "blurred"}}),
        case("serviceable", None, haze=0.0),
        case("replace", None, refusal="not a part"),
        case("", None, part="none", refusal="not a part"),
        case("", "serviceable", part="none"),
    )


def test_turned_away_photos_are_told_apart(mixed: Answers) -> None:
    figures = evaluate(mixed)

    def counted(name: str) -> tuple[int, int]:
        return figures[name]["hits"], figures[name]["of"]

    assert counted("fit_refused_as_not_a_part") == (1, 9)
    assert counted("fit_named_unfit") == (1, 9)  # the one whose recipe says blurred is no fit photo
    assert counted("not_parts_refused") == (1, 2)
    assert counted("answered") == (7, 10)
    assert figures["unfit_faults"] == {"blurred": 2}
    assert figures["parts_confusion"]["none"] == {"flame_cell": 1, "electrode": 0, "coupler": 0, "none": 1}
    assert figures["parts_confusion"]["flame_cell"]["none"] == 1


def test_grades_are_counted_outside_guard_bands(mixed: Answers) -> None:
    figures = evaluate(mixed)
    assert figures["confusion"]["flame_cell"] == {
        "serviceable": {"serviceable": 1, "clean-and-reuse": 1, "replace": 0, "not judged": 2},
        "clean-and-reuse": {"serviceable": 0, "clean-and-reuse": 1, "replace": 0, "not judged": 0},
        "replace": {"serviceable": 2, "clean-and-reuse": 0, "replace": 1, "not judged": 1},
    }
    assert figures["by_grade"]["serviceable"]["precision"]["hits"] == 1
    assert figures["by_grade"]["serviceable"]["precision"]["of"] == 3
    assert figures["by_grade"]["replace"]["recall"]["value"] == pytest.approx(1 / 3)
    # F1: serviceable 2/5, clean-and-reuse 2/3, replace 1/2.
    assert figures["macro_f1_clear"]["value"] == pytest.approx((2 / 5 + 2 / 3 + 1 / 2) / 3)
    # With the guard band's serviceable accepted: 4/7.
    assert figures["macro_f1_all"]["value"] == pytest.approx((4 / 7 + 2 / 3 + 1 / 2) / 3)
    # With three turned away as wrong: 2/7, 2/3, 2/5.
    assert figures["macro_f1_refused_wrong"]["value"] == pytest.approx((2 / 7 + 2 / 3 + 2 / 5) / 3)


def test_possible_grades_and_probabilities(mixed: Answers) -> None:
    figures = evaluate(mixed)
    assert figures["possible_by_grade"]["replace"]["value"] == pytest.approx(2 / 3)
    assert figures["possible_by_grade"]["serviceable"]["value"] == pytest.approx(1 / 2)
    assert figures["possible_borderline"]["value"] == 1.0
    assert figures["set_size"]["clear"]["value"] == pytest.approx(7 / 6)
    assert figures["set_sizes"] == {"1": 6, "2": 1}
    # By hand: replace right .02; replace said serviceable .81 + .0025 + .9025, twice; serviceable right .015;
    # serviceable said clean .81 + .64 + .01; clean right .06.
    assert figures["brier"]["value"] == pytest.approx((0.02 + 2 * 1.715 + 0.015 + 1.46 + 0.06) / 6)
    # Likeliest: four at .9 (two right), two at .8 (one right).
    assert figures["ece"] == pytest.approx((4 * 0.4 + 2 * 0.3) / 6)


def test_strata_hold_every_part_once(mixed: Answers) -> None:
    found = evaluate(mixed)["strata"]
    for name, classes in found.items():
        assert sum(one["asked"] for one in classes) == 10, name
    assert [(one["class"], one["asked"]) for one in found["tilt"]] == [("under 8°", 1), ("not recorded", 9)]
    assert {one["class"]: one["missed"] for one in found["light"]} == {"sun": 1, "not recorded": 1}
    assert "pathtrace" in {one["class"] for one in found["engine"]}


def test_numbers_without_edges_are_cut_in_quarters() -> None:
    cases = [case("replace", "replace", recipe={"camera": {"scale": s}}) for s in np.linspace(0.5, 1.5, 41)]
    classes = evaluate(answered(*cases))["strata"]["size of the part (camera scale)"]
    assert [one["asked"] for one in classes] == [10, 10, 10, 11]
    assert classes[0]["class"] == "under 0.75"
    assert classes[1]["class"] == "0.75 to 1"


def test_wear_not_measured_counts_as_missed() -> None:
    from wearvision.standard import load_limits

    row = load_limits().row("coupler", "crack_ratio")  # floor 0.10, scored from 0.30
    lines = [(0.5, {"value": 0.4}), (0.5, None), (0.2, None), (0.0, {"value": 0.3}), (0.0, {"value": 0.0})]
    found = present_f1(lines, row)
    assert found["of"] == 2
    assert found["value"] == pytest.approx(2 * 1 / (2 + 2))
    assert (found["found"]["hits"], found["false"]["hits"]) == (1, 1)


def test_fall_is_paired_and_named() -> None:
    plain = [case("replace", "replace"), case("serviceable", "serviceable"), case("replace", "replace")] * 10
    worse = [case("replace", "serviceable"), case("serviceable", "serviceable"), case("replace", "replace")] * 10
    fewer = [case("replace", None), case("serviceable", "serviceable"), case("replace", "replace")] * 10
    found = falls(answered(*plain), {"worse": answered(*worse), "fewer": answered(*fewer), "same": answered(*plain)})
    change = found["worse"]["macro_f1_change"]
    assert change["value"] == pytest.approx(2 / 3 - 1)  # both grades fall to F1 2/3
    assert change["low"] < change["value"] < change["high"] < 0
    assert (found["worse"]["missed_before"], found["worse"]["missed_after"]) == (0, 10)
    assert found["fewer"]["macro_f1_change"]["value"] == 0
    assert found["fewer"]["judged_change"] == pytest.approx(-1 / 3)
    assert [row["named"] for row in found.values()] == [True, True, False]


def test_two_models_are_compared_pair_by_pair() -> None:
    ours = [case("replace", "replace", haze=0.6, read=0.6), case("serviceable", "serviceable", haze=0.0)] * 10
    other = [case("replace", "serviceable", haze=0.6, read=0.1), case("serviceable", None, haze=0.0)] * 10
    found = compare(answered(*ours), answered(*other))
    assert (found["mcnemar"]["only_ours"], found["mcnemar"]["only_other"]) == (20, 0)
    assert found["mcnemar"]["p"] == pytest.approx(2 * 0.5**20)
    assert found["macro_f1_difference_refused_wrong"]["value"] == pytest.approx(1.0)
    assert found["missed"] == {"ours": 0, "other": 10}
    error = found["measures"]["flame_cell.haze"]
    assert error["difference"]["value"] == pytest.approx(-0.5)
    assert error["difference"]["of"] == 10
    with pytest.raises(ValueError, match="same pictures"):
        compare(answered(*ours), answered(*other[:-1]))


def test_difference_of_nothing_is_nothing() -> None:
    assert f1_difference([[], []], [[], []])["value"] is None
    assert mean([])["value"] is None
    assert f1_difference([["replace"]] * 2, [["replace"]] * 2)["high"] == 0


def test_worst_begin_with_replace_called_serviceable(mixed: Answers) -> None:
    found = worst(mixed)
    assert [entry.index for entry in found[:3]] == [1, 2, 4]  # off by 1.7, 1.125 and 0.5 limits of 0.4
    assert found[0].off == pytest.approx(1.7)
    assert found[0].why == "replace called serviceable; haze off by 1.70 of its limit"
    assert found[2].why.startswith("graded too strictly")
    assert [entry.why for entry in found[-3:]] == [
        "not a part, but judged", "a fit photo of a part, refused as not a part", "a fit photo, named unfit",
    ]  # fmt: skip
    assert 7 not in [entry.index for entry in found]  # rightly turned away
    assert [entry.index for entry in worst(mixed, most=1) if "called" in entry.why] == [1]


def test_changes_are_of_the_same_kind_of_picture() -> None:
    image = np.random.default_rng(0).integers(0, 256, (41, 60, 3)).astype(np.uint8)
    before = image.copy()
    for name, change in CHANGES.items():
        made = change(image)
        assert made.dtype == np.uint8, name
        assert made.shape == ((20, 30, 3) if name == "half size" else image.shape), name
    assert (image == before).all()
    smooth = np.tile(np.linspace(30, 220, 64).astype(np.uint8)[None, :, None], (64, 1, 3))
    smooth[..., 0] = 200
    assert np.abs(jpeg(smooth, 95).astype(int) - smooth).max() < 8  # colours stay in their order
    assert half_size(np.full((3, 1, 3), 9, np.uint8)).shape == (1, 1, 3)


class Seen(HTMLParser):
    """What a page holds: addresses, captions, words, tags that lack what a reader needs."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.identities: list[str] = []
        self.silent: list[str] = []
        self.words = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append(tag)
        self.addresses += [str(given[name]) for name in ("src", "href") if name in given]
        if "id" in given:
            self.identities.append(str(given["id"]))
        if (tag == "img" and not given.get("alt")) or (tag == "th" and "scope" not in given):
            self.silent.append(tag)

    def handle_data(self, data: str) -> None:
        self.words += " " + " ".join(data.split())


def page_of(answers: Answers) -> str:
    figures = json.loads(json.dumps(evaluate(answers)))
    entries = worst(answers)
    photo = np.zeros((20, 30, 3), np.uint8)
    extra = [
        stress(falls(answers, {"half size": answers})),
        comparison({"other": "n", **compare(answers, answers)}),
        errors(entries, [photo] * len(entries), [photo] * len(entries)),
    ]
    return render(Page("a <title>", [("set", "s")], [*sections(figures), *extra]))


def test_page_needs_nothing_else_and_is_told_to_everyone(mixed: Answers) -> None:
    page = page_of(mixed)
    seen = Seen(page)
    assert all(address.startswith(("data:image/", "#")) for address in seen.addresses)
    assert not {"script", "link", "iframe", "object"} & set(seen.tags)
    assert "@import" not in page
    assert "url(" not in page
    assert seen.silent == []
    assert seen.tags.count("caption") == seen.tags.count("table") > 10
    assert len(seen.identities) == len(set(seen.identities))
    assert {address[1:] for address in seen.addresses if address[0] == "#"} == set(seen.identities)
    assert 'name="viewport"' in page
    assert "a &lt;title&gt;" in page


def test_page_shows_what_was_counted(mixed: Answers) -> None:
    words = Seen(page_of(mixed)).words
    for shown in ("2 of 3", "66.67 %", "No. 1: replace called serviceable", "a fit photo, named unfit", "by light"):
        assert shown in words


def test_page_and_table_of_nothing_judged() -> None:
    nothing = answered(case("serviceable", None), case("", None, part="none", refusal="no"))
    assert "There are none" not in page_of(nothing)  # one fit photo was named unfit
    assert "pictures 2" in table(evaluate(nothing))


def test_worker_grades_the_changed_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    image = np.full((96, 96, 3), 120, np.uint8)
    monkeypatch.setattr(answering, "_grader", None)
    with pytest.raises(RuntimeError, match="not started"):
        answering._grade(image, None)
    answering._start(str(MODEL))
    hashes = {answering._grade(image, change)["sha256"] for change in (None, *CHANGES)}
    assert len(hashes) >= len(CHANGES)  # a flat grey may come through JPEG unchanged


def test_command_writes_page_and_figures(tmp_path: Path) -> None:
    build(tmp_path / "set", Plan(4, "test", 5, 256, False), workers=1, progress=False)
    arguments = ["evaluate", "--model", MODEL, "--set", tmp_path / "set", "--against", MODEL, "--workers", 1]
    result = CliRunner().invoke(main, [str(item) for item in (*arguments, "--out", tmp_path / "out")])
    assert result.exit_code == 0, result.output
    assert "McNemar exact p 1" in result.stdout
    figures = json.loads((tmp_path / "out" / "report.json").read_text("utf-8"))
    assert figures["about"] | {"model": 0, "limits": 0} == {"set": "set", "pictures": 4, "model": 0, "limits": 0}
    page = Seen((tmp_path / "out" / "report.html").read_text("utf-8"))
    assert f"{len(PictureSet.load(tmp_path / 'set'))} pictures" in page.words
    assert "against" in page.identities
    assert "stress" not in page.identities
