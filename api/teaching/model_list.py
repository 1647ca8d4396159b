"""The models there are, released ones and the site's own, each with where it stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from wearvision.network import ModelFolder, released_models
from wearvision_api.house import House
from wearvision_api.store.tables import Account, PhotoRow
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, ModelRow, ModelTurn
from wearvision_api.teaching import gate
from wearvision_api.teaching.release import Standing, demand, standing


@dataclass(frozen=True, slots=True)
class Known:
    """A model.

    Attributes:
        id: Its name.
        sha256: Of its graph.
        of_site: Whether the site made it.
        state: ``in use``, ``shadow``, or empty.
        since: Since when it is in that state; None: since the service began, or it has no state.
        created_at: When it was taken in; None: it came with the program.
        base: It comes from; empty for a released one.
        data_set: Name of the set that it learned from; empty for a released one.
        training_id: That made it.
        erased: Photos of that set that were erased since.
        gate: What the gate in force says of it; None for a released one.
        report: Old against new; empty for a released one.
    """

    id: str
    sha256: str
    of_site: bool
    state: str
    since: datetime | None
    created_at: datetime | None
    base: str
    data_set: str
    training_id: str | None
    erased: int
    gate: dict[str, Any] | None
    report: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Turn:
    """One change of the model in use or in the shadow; ``model`` is empty where a shadow ended."""

    kind: str
    model: str
    back: bool
    by: str
    at: datetime
    reason: str


def known(house: House, session: Session) -> list[Known]:
    """All models: the site's, newest first, then the released ones."""
    stands = standing(session)
    rows = session.scalars(select(ModelRow).order_by(ModelRow.created_at.desc(), ModelRow.id)).all()
    sets = {row.id: row.name for row in session.scalars(select(DataSetRow))}
    return [
        *(_of_site(house, session, row, stands, sets) for row in rows),
        *(_released(house, key, stands) for key in released_models()),
    ]


def one(house: House, session: Session, model: str) -> Known:
    """One model. Raises Problem where there is none."""
    row = demand(session, model)
    stands = standing(session)
    if row is None:
        return _released(house, model, stands)
    sets = {one.id: one.name for one in session.scalars(select(DataSetRow).where(DataSetRow.id == row.set_id))}
    return _of_site(house, session, row, stands, sets)


def card(house: House, session: Session, model: str) -> str:
    """A model's card, as text; empty where it has none, or its file cannot be had.

    Raises:
        Problem: there is no such model.
    """
    row = demand(session, model)
    try:
        if row is None:
            return (ModelFolder.open(model).path / "card.md").read_text("utf-8")
        return house.blobs.get(row.files["card.md"]).decode("utf-8", "replace") if "card.md" in row.files else ""
    except OSError:
        return ""


def turns(house: House, session: Session, most: int = 50) -> list[Turn]:
    """What changed, newest first."""
    query = select(ModelTurn, Account.name).join(Account, Account.id == ModelTurn.by_id)
    rows = session.execute(query.order_by(ModelTurn.place.desc()).limit(most)).all()
    return [
        Turn(
            turn.kind,
            turn.model or (house.current.settings_id if turn.kind == "use" else ""),
            turn.back,
            name,
            turn.at,
            turn.reason,
        )
        for turn, name in rows
    ]


def in_use(house: House, stands: Standing) -> str:
    """Id of the model that is wanted in use."""
    return stands.use or house.current.settings_id


def _state(house: House, key: str, stands: Standing) -> tuple[str, datetime | None]:
    if key == in_use(house, stands):
        return "in use", stands.turn.at if stands.turn else None
    if stands.shadow_turn is not None and key == stands.shadow:
        return "shadow", stands.shadow_turn.at
    return "", None


def _released(house: House, key: str, stands: Standing) -> Known:
    state, since = _state(house, key, stands)
    sha256 = str(ModelFolder.open(key).record["sha256"])
    return Known(key, sha256, False, state, since, None, "", "", None, 0, None, {})


def _of_site(house: House, session: Session, row: ModelRow, stands: Standing, sets: Mapping[str, str]) -> Known:
    state, since = _state(house, row.id, stands)
    query = select(func.count()).select_from(DataSetPhoto).join(PhotoRow, PhotoRow.id == DataSetPhoto.photo_id)
    gone = session.scalar(query.where(DataSetPhoto.set_id == row.set_id, PhotoRow.erased_at.is_not(None)))
    return Known(
        id=row.id,
        sha256=row.sha256,
        of_site=True,
        state=state,
        since=since,
        created_at=row.created_at,
        base=row.base,
        data_set=sets.get(row.set_id or "", ""),
        training_id=row.training_id,
        erased=gone or 0,
        gate=gate.verdict(row.report, house.gate),
        report=row.report,
    )
