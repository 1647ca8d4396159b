"""The model in use and the one in the shadow: looked after in every process, changed without a stop.

The newest turn of each kind says which (``ModelTurn``). Every process looks every two seconds, loads what is new beside
what works, and only then changes over; a request that has begun finishes with the grader that it began with.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from wearvision.errors import WearvisionError
from wearvision.grade import Grader
from wearvision.network import ModelFolder
from wearvision.standard.limits import Limits
from wearvision_api.store.teaching_tables import ModelTurn
from wearvision_api.teaching.models import ModelFiles, source_of

LOG = logging.getLogger(__name__)
Kind = Literal["use", "shadow"]
EVERY_S = 2.0
AGAIN_S = 30.0
"""After how long a model that could not be loaded is tried again: the store may have been away."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A grader with the id that asked for it; empty: the settings' model."""

    model: str
    source: str | Path | None
    grader: Grader


@dataclass(frozen=True, slots=True)
class Fault:
    """A model that is wanted and cannot be loaded here: id, why, and when it was tried (monotonic seconds)."""

    model: str
    reason: str
    at: float


class Current:
    """What grades in this process.

    Args:
        engine: Of the open database, with its tables.
        files: Models' files on this machine.
        settings_model: The settings' model, for as long as no turn says otherwise; empty: the default.
        limits: In force; the same for every model.

    Raises:
        wearvision.errors.ModelError: the settings' model cannot be used.
    """

    def __init__(self, engine: Engine, files: ModelFiles, settings_model: str, limits: Limits) -> None:
        self._engine, self.files, self.limits = engine, files, limits
        self._settings_model = settings_model or None
        self._own_id = str(ModelFolder.open(self._settings_model).record["id"])  # a wrong setting is told at the start
        self._lock = threading.Lock()
        self._faults: dict[Kind, Fault] = {}
        self._shadow: Loaded | None = None
        self._ready: dict[str, Loaded] = {}
        wanted = self._wanted()["use"]
        try:
            self._use = self.load(wanted)
        except WearvisionError as error:
            if not wanted:
                raise
            self._note("use", wanted, error)
            self._use = self.load("")
        self.look()

    @property
    def grader(self) -> Grader:
        """The grader in use; take it once for one piece of work."""
        return self._use.grader

    @property
    def in_use(self) -> Loaded:
        """The model in use here."""
        return self._use

    @property
    def shadow(self) -> Loaded | None:
        """The model that grades silently beside it; None: none does."""
        return self._shadow

    @property
    def settings_id(self) -> str:
        """Id of the settings' model."""
        return self._own_id

    @property
    def faults(self) -> dict[Kind, Fault]:
        """What is wanted and does not work here, by kind."""
        return dict(self._faults)

    def load(self, model: str) -> Loaded:
        """A grader of a model, apart from what is in use.

        Args:
            model: Id of a released or a site's model; empty: the settings' one.

        Raises:
            wearvision.errors.ModelError: there is no such model, or it cannot be used.
        """
        with Session(self._engine.execution_options(writes=False)) as session:
            source = source_of(session, self.files, model) if model else self._settings_model
        return Loaded(model, source, Grader(source, self.limits))

    def expect(self, ready: Loaded) -> None:
        """Keeps a model that is loaded already for the turn that is about to come."""
        self._ready = {ready.model: ready}

    def look(self) -> None:
        """Changes over to what the newest turns say, where that can be loaded; what works stays otherwise."""
        with self._lock:
            wanted = self._wanted()
            found = self._follow("use", wanted["use"], self._use.model)
            if found is not None:
                self._use = found
                LOG.info("model in use", extra={"model": found.grader.model_id})
            if wanted["shadow"]:
                found = self._follow("shadow", wanted["shadow"], self._shadow.model if self._shadow else "")
                self._shadow = found or self._shadow
            else:
                self._shadow = None
                self._faults.pop("shadow", None)
            self._ready = {}

    @contextmanager
    def watched(self, *, every_s: float = EVERY_S) -> Iterator[None]:
        """Looks again and again in a thread of its own until the block ends."""
        stop = threading.Event()

        def run() -> None:
            while not stop.wait(every_s):
                try:
                    self.look()
                except Exception:  # a database that is away for a moment must not end the watch
                    LOG.exception("could not look which model is in use; it is tried again")

        watcher = threading.Thread(target=run, name="models")
        watcher.start()
        try:
            yield
        finally:
            stop.set()
            watcher.join()

    def _wanted(self) -> dict[Kind, str]:
        newest = select(func.max(ModelTurn.place)).group_by(ModelTurn.kind)
        with Session(self._engine.execution_options(writes=False)) as session:
            rows = session.execute(select(ModelTurn.kind, ModelTurn.model).where(ModelTurn.place.in_(newest))).all()
        found = {row.kind: row.model for row in rows}
        return {"use": found.get("use", ""), "shadow": found.get("shadow", "")}

    def _follow(self, kind: Kind, wanted: str, have: str) -> Loaded | None:
        """What to change over to; None: nothing, or it cannot be loaded."""
        if wanted == have:
            self._faults.pop(kind, None)
            return None
        fault = self._faults.get(kind)
        if fault is not None and fault.model == wanted and time.monotonic() - fault.at < AGAIN_S:
            return None
        try:
            found = self._ready.get(wanted) or self.load(wanted)
        except WearvisionError as error:
            self._note(kind, wanted, error)
            return None
        self._faults.pop(kind, None)
        return found

    def _note(self, kind: Kind, wanted: str, error: Exception) -> None:
        self._faults[kind] = Fault(wanted, str(error), time.monotonic())
        LOG.error("model %s cannot be loaded; the one before goes on: %s", wanted, error, extra={"kind": kind})
