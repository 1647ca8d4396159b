"""The page of all components: invented values, so that every one is seen in every state."""

from __future__ import annotations

from dataclasses import dataclass

from wearvision.standard import DEFERENCE, GRADES, load_checks
from wearvision.standard.grades import Grade
from wearvision_api.pages.check_contexts import AnswerView, CheckView, Mistake, check_view
from wearvision_api.pages.grade_contexts import STANDINGS, BarView, MeasureView, VerdictView, Zone
from wearvision_api.pages.return_finding_contexts import FindingView, ProposalView, SignLine
from wearvision_api.pages.units import System

_ZONES = (Zone(0, 20, "serviceable"), Zone(20, 35, "clean-and-reuse"), Zone(55, 45, "replace"))


@dataclass(frozen=True, slots=True)
class PatternContext:
    """Every component once: grades, verdicts, measures, hand checks, returns desk, and the sentence of who wins."""

    grades: tuple[Grade, ...]
    verdicts: tuple[VerdictView, ...]
    measures: tuple[MeasureView, ...]
    checks: tuple[CheckView, ...]
    tally: tuple[tuple[str, str, int, bool], ...]
    proposal: ProposalView
    findings: tuple[FindingView, ...]
    keys: tuple[tuple[str, str], ...]
    deference: str


def context(system: System) -> PatternContext:
    """Invented values in each state."""
    table = load_checks().rows
    read = AnswerView(
        "replace", "Replace", "heavily cloudy", "A heavy veil stays after wiping.", "Confirmed: replace now holds."
    )
    limits = "serviceable < 0.1; clean 0.15 to 0.3; replace ≥ 0.4"
    return PatternContext(
        grades=GRADES,
        verdicts=(
            *(VerdictView(grade, grade.capitalize(), "", STANDINGS["confirmed"]) for grade in GRADES),
            VerdictView(
                "serviceable",
                "Serviceable",
                "In doubt: clean-and-reuse or replace is possible, too.",
                STANDINGS["photo only"],
            ),
            VerdictView(None, "No grade", "", "The photos could not be judged"),
        ),
        measures=(
            MeasureView(
                "film on the window",
                "Measured 0.05 (0.00 to 0.12)",
                limits,
                "",
                "serviceable",
                BarView(_ZONES, "0", "8", "18"),
            ),
            MeasureView(
                "clouded window",
                "Measured 0.35 (0.20 to 0.60)",
                limits,
                "",
                "clean-and-reuse",
                BarView(_ZONES, "30", "48", "80"),
            ),
            MeasureView("rim out of round", "Not measured: glare", limits, "", None, None),
        ),
        checks=(
            check_view(table["cell-crack"], system, None, "needed for a verdict"),
            check_view(table["cell-wipe"], system, read, "read", is_open=False),
            check_view(
                table["cell-lit"],
                system,
                None,
                "",
                True,
                Mistake("cell-lit", "12 apples", "ohm", "enter a number in ohm."),
            ),
        ),
        tally=(("#desk", "What I can do next", 4, True), ("#desk", "Decided", 12, False)),
        proposal=ProposalView(
            "Decline the claim",
            "past-warranty",
            "The part has run for longer than the warranty lasts.",
            "A second person must sign, because:",
            ("1 flag is open.",),
            "policy example-1, fingerprint 0123456789ab",
        ),
        findings=(
            FindingView(
                "Scorched element",
                "wear",
                "replace",
                "Worn",
                "",
                "Measured 0.18 (0.14 to 0.22)",
                "Heat from the burner, clear",
                (SignLine("Heat from the burner", "The element is burned.", "strong sign"),),
                (SignLine("Possible defect of the part", "A burn comes from outside the part.", "weak sign"),),
                ("heat came back into the burner",),
            ),
        ),
        keys=(("j k", "down and up"), ("?", "shows these keys")),
        deference=DEFERENCE,
    )
