"""Trainings as records: asked for, stopped, gone on with. ``training_watch`` runs them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Select, select, update
from sqlalchemy.orm import Session

from wearvision.network import released_models
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.store.tables import new_id, now
from wearvision_api.store.teaching_tables import DataSetRow, ModelRow, TrainingRow
from wearvision_api.teaching import job
from wearvision_api.teaching.models import free_id

ENDED = ("stopped", "failed", "done")
SILENT = timedelta(minutes=10)
"""After so long without a sign of life a training of another machine may be begun anew."""
MOST_MINUTES = 24 * 60


def listed() -> Select[TrainingRow]:
    """All trainings."""
    return select(TrainingRow)


def find(session: Session, training_id: str) -> TrainingRow:
    """A training. Raises Problem where there is none."""
    row = session.get(TrainingRow, training_id)
    if row is None:
        raise Problem("not-found", f"There is no training {training_id}.")
    return row


def start(
    house: House,
    session: Session,
    who: Caller,
    data_set: str,
    *,
    base: str = "",
    stage: str = "heads",
    minutes: int | None = None,
    seed: int = 1,
) -> TrainingRow:
    """Asks for a training; it waits until the machine has none at work. The caller commits.

    Args:
        house: The running service.
        session: Of a writing transaction.
        who: Who asks.
        data_set: Id or name of a frozen set.
        base: Id of the model to start from; empty: the one in use.
        stage: ``heads``, or ``more`` to train further layers, too.
        minutes: It may take at most; None: as long as it needs.
        seed: Of what is drawn by chance.

    Raises:
        Problem: there is no such set or model, or this machine has nothing to train with.
    """
    if lacking := job.lacking():
        raise Problem("conflict", lacking)
    row = session.get(DataSetRow, data_set) or session.scalar(select(DataSetRow).where(DataSetRow.name == data_set))
    if row is None:
        raise Problem("not-found", f"There is no set {data_set}.")
    base = base or house.current.in_use.model or house.current.settings_id
    if session.get(ModelRow, base) is None and base not in released_models():
        raise Problem("not-found", f"There is no model {base} to start from, neither released nor of this site.")
    ledger.hold(session)  # two at the same moment must not choose one id
    settings: dict[str, Any] = {"stage": stage, "minutes": minutes, "seed": seed}
    training = TrainingRow(
        id=new_id(),
        owner_id=who.id,
        set_id=row.id,
        base=base,
        settings=settings,
        state="waiting",
        progress={},
        process=None,
        model_id=free_id(session, row.name),
    )
    session.add(training)
    session.flush()
    after = {"set": row.name, "sha256": row.sha256, "base": base, "model": training.model_id}
    ledger.append(session, who.name, "asked for", "training", training.id, after=after)
    return training


def stop(session: Session, who: Caller, row: TrainingRow) -> TrainingRow:
    """Stops a training; what it has done is kept to go on from. The caller commits.

    Raises:
        Problem: it has ended already.
    """
    if row.state == "waiting":
        change(session, row, state="stopped", ended_at=now(), said="Stopped before it began.")
    elif row.state == "running" and row.process is not None:
        if "stop_at" not in row.process:
            change(session, row, process={**row.process, "stop_at": now().isoformat()})
    else:
        raise Problem("conflict", f"The training is {row.state}; there is nothing to stop.")
    ledger.append(session, who.name, "stopped", "training", row.id)
    return row


def resume(session: Session, who: Caller, row: TrainingRow) -> TrainingRow:
    """Goes on with a training that was stopped or failed, from what it has done. The caller commits.

    Raises:
        Problem: it has not ended, is done, or nothing can be trained here.
    """
    if lacking := job.lacking():
        raise Problem("conflict", lacking)
    if row.state not in ("stopped", "failed") and not is_lost(row):
        raise Problem("conflict", f"The training is {row.state}; only one that was stopped or failed can go on.")
    change(session, row, state="waiting", ended_at=None, said="", process=None)
    ledger.append(session, who.name, "gone on with", "training", row.id)
    return row


def is_lost(row: TrainingRow) -> bool:
    """Whether it should run and has given no sign of life for long: its machine is gone, or cut off."""
    return row.state == "running" and row.seen_at is not None and now() - row.seen_at > SILENT


def change(session: Session, row: TrainingRow, **values: Any) -> None:
    """Changes a training as it was read.

    Raises:
        Problem: somebody changed it meanwhile.
    """
    changed = session.execute(
        update(TrainingRow)
        .where(TrainingRow.id == row.id, TrainingRow.version == row.version)
        .values(version=row.version + 1, **values)
        .execution_options(synchronize_session=False)
    )
    if changed.rowcount != 1:  # type: ignore[attr-defined]  # an update's result counts rows
        session.rollback()
        raise Problem("conflict", "The training changed meanwhile; look again.")
    session.refresh(row)


def options(row: TrainingRow, folder: job.Job, base: str, limits: Path | None) -> tuple[str, ...]:
    """Of the training's command. Drawn pictures and features are kept for the next training; photos are not.

    Args:
        row: What was asked for.
        folder: Where it works.
        base: Folder or id of the model to start from.
        limits: The site's own limits; None: the standard's.
    """
    settings: Mapping[str, Any] = row.settings
    given = ["--set", str(folder.data), "--base", base, "--id", str(row.model_id), "--out", str(folder.out)]
    given += ["--cache", str(folder.folder.parent / "cache")]
    if limits is not None:
        given += ["--limits", str(limits.resolve())]
    for name in ("stage", "minutes", "seed"):
        if settings.get(name) is not None:
            given += [f"--{name}", str(settings[name])]
    return tuple(given)
