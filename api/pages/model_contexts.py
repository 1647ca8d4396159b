"""What the pages of models show; words are chosen here, none in the templates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.network import released_models
from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.pages.comparison_contexts import Compared, Miss, compared, misses
from wearvision_api.services.sheet import moment
from wearvision_api.store.tables import new_id
from wearvision_api.store.teaching_tables import DataSetRow, TrainingRow
from wearvision_api.teaching import job, model_list, shadow_differences
from wearvision_api.teaching.model_list import Known
from wearvision_api.teaching.release import standing
from wearvision_api.teaching.shadow_differences import WHICH, Counts, Difference, Which

STATES = {"in use": "In use", "shadow": "In the shadow", "": "At rest"}
MOST_TURNS = 20
MOST_TRAININGS = 10


@dataclass(frozen=True, slots=True)
class ModelView:
    """A line of the list: id, where it stands and since when, where it comes from, and what the gate says."""

    id: str
    href: str
    state: str
    made: str
    origin: str
    gate: str
    passed: bool | None


@dataclass(frozen=True, slots=True)
class TrainingView:
    """A line of the trainings: address, when, what it learns from, and how far it is."""

    href: str
    at: str
    title: str
    state: str


@dataclass(frozen=True, slots=True)
class ModelsContext:
    """The page of all models.

    Attributes:
        in_use: Id of the model that is wanted in use.
        since: Since when.
        here: Id of what this process grades with.
        faults: Why a wanted model does not work here.
        back_to: Id that taking back leads to; empty: nothing to take back.
        shadow: Id of the model in the shadow; empty: none.
        shadow_counts: What it came to so far, in words.
        own: The site's models.
        released: Those of the program.
        sets: Id and name of the frozen sets.
        bases: Ids to start from, with words.
        lacking: Why nothing can be trained here; empty: it can.
        trainings: The newest.
        turns: What changed: when, what, who, why.
        may_release: Whether buttons of release are shown.
        may_train: Whether the form of a training is shown.
        fresh: Id for the form of a training.
    """

    in_use: str
    since: str
    here: str
    faults: tuple[str, ...]
    back_to: str
    shadow: str
    shadow_counts: str
    own: tuple[ModelView, ...]
    released: tuple[ModelView, ...]
    sets: tuple[tuple[str, str], ...]
    bases: tuple[tuple[str, str], ...]
    lacking: str
    trainings: tuple[TrainingView, ...]
    turns: tuple[tuple[str, str, str, str], ...]
    may_release: bool
    may_train: bool
    fresh: str


@dataclass(frozen=True, slots=True)
class GateView:
    """A row of the gate: whether it holds in a word and a mark, what was found, what is asked, and its source."""

    mark: str
    word: str
    found: str
    asked: str
    source: str


@dataclass(frozen=True, slots=True)
class ModelContext:
    """The page of one model.

    Attributes:
        id: Its name.
        state: Where it stands, in words.
        is_in_use: Whether it is.
        is_shadow: Whether it is in the shadow.
        facts: Where it comes from.
        erased: What to know of erased photos; empty: nothing.
        gate: Row by row; empty for a released model.
        passed: Whether the gate is passed; None for a released model.
        needs_reason: Whether a release needs a reason.
        may_release: Whether this person may release it.
        why_not: Why not, where it is the gate.
        may_turn: Whether this person may change which model grades.
        back_to: Id that taking back leads to; empty: nothing to take back.
        old: Id that it is compared with.
        compared: Old against new; None: there is no comparison.
        misses: Dangerous misses as pictures.
        shadow: What it came to in the shadow, in words; empty: it never was there.
        card: As text.
    """

    id: str
    state: str
    is_in_use: bool
    is_shadow: bool
    facts: tuple[tuple[str, str], ...]
    erased: str
    gate: tuple[GateView, ...]
    passed: bool | None
    needs_reason: bool
    may_release: bool
    why_not: str
    may_turn: bool
    back_to: str
    old: str
    compared: Compared | None
    misses: tuple[Miss, ...]
    shadow: str
    card: str


@dataclass(frozen=True, slots=True)
class DifferenceView:
    """A grade of which the shadow said something else."""

    href: str
    picture: str
    title: str
    before: str | None
    after: str | None
    model: str
    danger: str
    by_hand: str


@dataclass(frozen=True, slots=True)
class ShadowContext:
    """The page of what a model said in the shadow: counts in words, filters, what differs, and the pages around."""

    id: str
    summary: str
    which: str
    filters: tuple[tuple[str, str], ...]
    lines: tuple[DifferenceView, ...]
    before: str
    after: str


def models_context(house: House, session: Session, who: Caller) -> ModelsContext:
    """All models, for one person."""
    stands = standing(session)
    every = model_list.known(house, session)
    views = [(one.of_site, _line(one)) for one in every]
    in_use = model_list.in_use(house, stands)
    rows = session.scalars(select(TrainingRow).order_by(TrainingRow.created_at.desc()).limit(MOST_TRAININGS)).all()
    return ModelsContext(
        in_use=in_use,
        since=f"since {moment(stands.turn.at)}" if stands.turn else "since the service began",
        here=house.grader.model_id,
        faults=tuple(f"{fault.model}: {fault.reason}" for fault in house.current.faults.values()),
        back_to="" if stands.before is None else stands.before or house.current.settings_id,
        shadow=stands.shadow,
        shadow_counts=counts_words(shadow_differences.counted(session, stands.shadow)) if stands.shadow else "",
        own=tuple(view for of_site, view in views if of_site),
        released=tuple(view for of_site, view in views if not of_site),
        sets=tuple(
            (row.id, f"{row.name} ({row.counts.get('photos', '?')} photos)")
            for row in session.scalars(select(DataSetRow).order_by(DataSetRow.created_at.desc()))
        ),
        bases=(
            ("", f"The one in use ({in_use})"),
            *((one.id, one.id) for one in every if one.of_site),
            *((key, f"{key} (released)") for key in released_models()),
        ),
        lacking=job.lacking(),
        trainings=tuple(map(training_line, rows)),
        turns=tuple(_turn(one) for one in model_list.turns(house, session, MOST_TURNS)),
        may_release=who.may("models:release"),
        may_train=who.may("teaching:write"),
        fresh=new_id(),
    )


def model_context(house: House, session: Session, who: Caller, model: str) -> ModelContext:
    """One model, for one person."""
    known, stands = model_list.one(house, session, model), standing(session)
    passed = known.gate["passed"] if known.gate is not None else None
    against = passed is False
    counts = shadow_differences.counted(session, model)
    may_turn = who.may("models:release")
    is_in_use = known.state == "in use"
    return ModelContext(
        id=known.id,
        state=_since(known),
        is_in_use=is_in_use,
        is_shadow=known.state == "shadow",
        facts=_facts(known),
        erased=f"{known.erased} of the photos that it learned from were erased since. It keeps what it learned of them."
        if known.erased
        else "",
        gate=tuple(map(_gate_row, known.gate["rows"])) if known.gate is not None else (),
        passed=passed,
        needs_reason=against,
        may_release=may_turn and not is_in_use and (not against or who.role == "administrator"),
        why_not="The gate stands against it. An administrator may release it all the same, with a written reason."
        if against and who.role != "administrator"
        else "",
        may_turn=may_turn,
        back_to=(stands.before or house.current.settings_id) if is_in_use and stands.before is not None else "",
        old=str(_table(known.report, "old").get("id", known.base)),
        compared=compared(known.report) if known.report else None,
        misses=misses(session, known.report),
        shadow=counts_words(counts) if counts.compared else "",
        card=model_list.card(house, session, model),
    )


def shadow_context(session: Session, model: str, which: Which, page: int) -> ShadowContext:
    """What a model said in the shadow."""
    found = shadow_differences.listed(session, model, which, page)
    href = f"/teaching/models/{model}/shadow?which={which}"
    return ShadowContext(
        id=model,
        summary=counts_words(shadow_differences.counted(session, model)),
        which=which,
        filters=tuple(WHICH.items()),
        lines=tuple(map(_difference, found)),
        before=f"{href}&page={page - 1}" if page > 1 else "",
        after=f"{href}&page={page + 1}" if len(found) == shadow_differences.PAGE else "",
    )


def counts_words(counts: Counts) -> str:
    """What a model came to in the shadow, in a sentence or two."""
    if not counts.compared:
        return "It has graded nothing yet."
    words = f"{counts.compared} grade{'s' if counts.compared != 1 else ''} compared, {counts.differ} differ."
    if counts.milder:
        words += f" {counts.milder} that the model in use calls replace it calls serviceable."
    if counts.stricter:
        words += f" {counts.stricter} that the model in use calls serviceable it calls replace."
    return words + (f" {counts.refused} only one of the two could judge." if counts.refused else "")


def training_line(row: TrainingRow) -> TrainingView:
    """A training in a list."""
    done, of = row.progress.get("done"), row.progress.get("of")
    state = row.state.capitalize()
    if row.state == "running" and row.progress:
        state += f": {row.progress.get('stage', '')}" + (f", {done} of {of}" if of else "")
    title = f"{row.data_set.name}, from {row.base}"
    return TrainingView(f"/teaching/trainings/{row.id}", moment(row.created_at), title, state)


def _line(one: Known) -> ModelView:
    gate = ""
    if one.gate is not None:
        failed = sum(row["passed"] is False for row in one.gate["rows"])
        gate = "Passed" if one.gate["passed"] else f"{failed} demand{'s' if failed != 1 else ''} not met"
    origin = f"{one.data_set or 'no set of this site'}, from {one.base}" if one.of_site else "came with the program"
    made = moment(one.created_at) if one.created_at else ""
    passed = one.gate["passed"] if one.gate is not None else None
    return ModelView(one.id, f"/teaching/models/{one.id}", _since(one), made, origin, gate, passed)


def _since(one: Known) -> str:
    words = STATES[one.state]
    if one.state == "in use":
        return f"{words} since {moment(one.since)}" if one.since else f"{words} since the service began"
    return f"{words} since {moment(one.since)}" if one.since else words


def _facts(one: Known) -> tuple[tuple[str, str], ...]:
    facts = [("Fingerprint", f"{one.sha256[:16]}…")]
    if not one.of_site:
        return (("Comes from", "the program"), *facts)
    told = _table(one.report, "told")
    facts = [("Comes from", one.base), ("Learned from", one.data_set or "no set of this site"), *facts]
    if one.created_at:
        facts.append(("Taken in", moment(one.created_at)))
    for value, title, form in (
        (_table(told, "photos").get("train"), "Photos learned from", "{:g}"),
        (told.get("replay"), "Drawn pictures learned beside", "{:g}"),
        (_table(told, "seconds").get("total"), "Seconds of training", "{:.0f}"),
    ):
        if isinstance(value, int | float):
            facts.append((title, form.format(value)))
    if isinstance(told.get("device"), str):
        facts.append(("Trained on", told["device"]))
    if _learned_nothing(_table(told, "how")):
        facts.append(("What it learned", "nothing: nothing that was tried did better on photos left out"))
    return tuple(facts)


def _learned_nothing(how: Mapping[str, Any]) -> bool:
    """Whether cross-validation kept the base's heads, and no fine-tuning was kept either."""
    return _table(how, "way").get("epochs") == 0 and not _table(how, "more").get("kept")


def _gate_row(row: Mapping[str, Any]) -> GateView:
    mark, word = {True: ("✓", "met"), False: ("✗", "not met"), None: ("–", "not judged")}[row["passed"]]
    return GateView(mark, word, row["text"], row["asked"], row["source"])


def _turn(turn: model_list.Turn) -> tuple[str, str, str, str]:
    if turn.kind == "shadow":
        what = f"{turn.model} into the shadow" if turn.model else "The shadow ended"
    else:
        what = f"Back to {turn.model}" if turn.back else f"{turn.model} in use"
    return moment(turn.at), what, turn.by, turn.reason


def _difference(one: Difference) -> DifferenceView:
    danger = ""
    if (one.before, one.after) == ("replace", "serviceable"):
        danger = "It calls serviceable what the model in use calls replace."
    elif (one.before, one.after) == ("serviceable", "replace"):
        danger = "It calls replace what the model in use calls serviceable."
    part = PARTS[one.part].title.capitalize() if one.part in PARTS else "No part recognised"
    return DifferenceView(
        href=f"/grades/{one.grade_id}",
        picture=f"/api/v1/grades/{one.grade_id}/pictures/0" if one.picture else "",
        title=f"{part}, {moment(one.at)}",
        before=one.before,
        after=one.after,
        model=one.model,
        danger=danger,
        by_hand=f"Hand checks or an eye came to {one.by_hand}." if one.by_hand else "",
    )


def _table(report: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = report.get(key)
    return found if isinstance(found, Mapping) else {}
