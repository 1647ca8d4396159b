"""Which model grades: released, taken back, put in the shadow; each turn with its reason, and in the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.errors import WearvisionError
from wearvision.network import released_models
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.store.teaching_tables import ModelRow, ModelTurn
from wearvision_api.teaching import gate
from wearvision_api.teaching.current import Kind, Loaded

LEAST_REASON = 10
"""Characters of a reason to release against the gate."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Which models are wanted now; an empty id stands for the settings' model, or for no shadow.

    Attributes:
        use: Id of the model in use.
        before: What taking back leads to; None: nothing to take back.
        turn: That brought it into use; None: it has been since the start.
        shadow: Id of the model in the shadow.
        shadow_turn: That put it there.
    """

    use: str
    before: str | None
    turn: ModelTurn | None
    shadow: str
    shadow_turn: ModelTurn | None


def standing(session: Session) -> Standing:
    """What the turns come to."""
    turns = list(session.scalars(select(ModelTurn).order_by(ModelTurn.place)))
    use = [turn for turn in turns if turn.kind == "use"]
    shadow = [turn for turn in turns if turn.kind == "shadow"]
    way = _way(use)
    return Standing(
        use=use[-1].model if use else "",
        before=way[-2] if len(way) > 1 else None,
        turn=use[-1] if use else None,
        shadow=shadow[-1].model if shadow else "",
        shadow_turn=shadow[-1] if shadow and shadow[-1].model else None,
    )


def _way(turns: Sequence[ModelTurn]) -> list[str]:
    """The models in use one upon the other: a release goes on top, taking back takes the top away."""
    way = [""]
    for turn in turns:
        if turn.back and len(way) > 1:
            way.pop()
        else:
            way.append(turn.model)
    return way


def demand(session: Session, model: str) -> ModelRow | None:
    """The row of a site's model, None for a released one. Raises Problem where there is neither."""
    row = session.get(ModelRow, model)
    if row is None and model not in released_models():
        raise Problem("not-found", f"There is no model {model}.")
    return row


def release(house: House, session: Session, who: Caller, model: str, reason: str = "") -> ModelTurn:
    """Brings a model into use; every process changes over within seconds, none stops.

    Args:
        house: The running service.
        session: Open; committed.
        who: Who releases. Against the gate: an administrator only, with a reason.
        model: Id of a site's or a released model.
        reason: Why.

    Raises:
        Problem: there is no such model, it cannot be loaded, is in use already, or the gate stands against it.
    """
    row = demand(session, model)
    judged = gate.verdict(row.report, house.gate) if row is not None else None
    if judged is not None and not judged["passed"]:
        _demand_against_the_gate(who, reason, judged)
    ready = _loaded(house, session, model)
    now = _begun(session)
    if model == now.use:
        raise Problem("conflict", f"{model} is in use already.")
    turn = _turn(session, who, "use", model, reason)
    if now.shadow == model:
        _turn(session, who, "shadow", "", "It is in use now.")
    after = {"model": model, "reason": reason} | ({"gate": _kept(judged)} if judged is not None else {})
    ledger.append(session, who.name, "released", "model", model, before={"model": _named(house, now.use)}, after=after)
    return _changed_over(house, session, turn, ready)


def take_back(house: House, session: Session, who: Caller, model: str, reason: str = "") -> ModelTurn:
    """Takes the model in use back and puts the one before it to work again.

    Args:
        house: The running service.
        session: Open; committed.
        who: Who takes it back.
        model: Id of what is in use, so that a second press takes nothing else back.
        reason: Why.

    Raises:
        Problem: another model is in use, there is none before it, or that one cannot be loaded.
    """
    before = standing(session).before
    ready = _loaded(house, session, before) if before is not None else None
    now = _begun(session)
    if now.use != model or now.turn is None:
        raise Problem("conflict", f"{model} is not in use by a release; {_named(house, now.use)} is.")
    if now.before != before or before is None or ready is None:
        raise Problem("conflict", "Somebody else changed the model in use meanwhile; look again.")
    turn = _turn(session, who, "use", before, reason, back=True)
    if before and now.shadow == before:
        _turn(session, who, "shadow", "", "It is in use now.")
    after = {"model": _named(house, before), "reason": reason}
    ledger.append(session, who.name, "taken back", "model", model, before={"model": model}, after=after)
    return _changed_over(house, session, turn, ready)


def put_in_shadow(house: House, session: Session, who: Caller, model: str, reason: str = "") -> ModelTurn:
    """Has a model grade silently beside the one in use. The one that did before gives way.

    Raises:
        Problem: there is no such model, it cannot be loaded, is in use, or is in the shadow already.
    """
    demand(session, model)
    ready = _loaded(house, session, model)
    now = _begun(session)
    if model in (now.use, now.shadow):
        raise Problem("conflict", f"{model} is {'in use' if model == now.use else 'in the shadow'} already.")
    turn = _turn(session, who, "shadow", model, reason)
    after = {"model": model, "reason": reason}
    ledger.append(
        session, who.name, "put in the shadow", "model", model, before={"model": now.shadow or None}, after=after
    )
    return _changed_over(house, session, turn, ready)


def end_shadow(house: House, session: Session, who: Caller, model: str, reason: str = "") -> ModelTurn:
    """Ends the silent grading of a model; what it said stays. Raises Problem where it is not in the shadow."""
    now = _begun(session)
    if not model or now.shadow != model:
        raise Problem("conflict", f"{model} is not in the shadow.")
    turn = _turn(session, who, "shadow", "", reason)
    after = {"model": None, "reason": reason}
    ledger.append(session, who.name, "taken out of the shadow", "model", model, before={"model": model}, after=after)
    return _changed_over(house, session, turn, None)


def _demand_against_the_gate(who: Caller, reason: str, judged: Mapping[str, Any]) -> None:
    failed = "; ".join(row["text"] for row in judged["rows"] if row["passed"] is False)
    if who.role != "administrator":
        raise Problem("not-allowed", f"The gate stands against it ({failed}). Only an administrator may release it.")
    if len(reason.strip()) < LEAST_REASON:
        raise Problem("invalid", f"The gate stands against it ({failed}). Say why it is released all the same.")


def _loaded(house: House, session: Session, model: str) -> Loaded:
    """Loads a model before anything is changed: one that does not work is never released."""
    session.commit()  # lets other writers in meanwhile
    try:
        return house.current.load(model)
    except WearvisionError as error:
        raise Problem("conflict", f"The model cannot be put to work: {error}") from error


def _begun(session: Session) -> Standing:
    """What stands, while nobody else can change it until this transaction ends."""
    session.rollback()  # a transaction that began by reading may see what was before
    ledger.hold(session)
    return standing(session)


def _turn(session: Session, who: Caller, kind: Kind, model: str, reason: str, *, back: bool = False) -> ModelTurn:
    turn = ModelTurn(kind=kind, model=model, by_id=who.id, reason=reason, back=back)
    session.add(turn)
    session.flush()
    return turn


def _changed_over(house: House, session: Session, turn: ModelTurn, ready: Loaded | None) -> ModelTurn:
    if ready is not None:
        house.current.expect(ready)
    session.commit()
    house.current.look()  # here at once; other processes look by themselves
    return turn


def _named(house: House, model: str) -> str:
    return model or house.current.settings_id


def _kept(judged: Mapping[str, Any]) -> dict[str, Any]:
    failed = [row["id"] for row in judged["rows"] if row["passed"] is False]
    return {"id": judged["id"], "sha256": judged["sha256"], "passed": judged["passed"], "failed": failed}
