"""Models of this site's own: their files as blobs, and on disk for whatever process must read them."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tempfile
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.errors import InputError, ModelError
from wearvision.network import ModelFolder, released_models
from wearvision_api.store.blobs import Blobs, sync_folder
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import ModelRow, TrainingRow

PREFIX = "site-"
"""Of every id of a site's model: no released one begins so, today's or a later one."""
ID_FORM = r"^site-[a-z0-9][a-z0-9.-]{0,59}$"
GRADING = frozenset({"model.onnx", "finder.onnx", "model.json", "card.md"})
"""What grading reads; the weights are for training on."""
WEIGHTS = "weights.safetensors"


class ModelFiles:
    """Models' files on this machine; made anew from the blobs whenever they are missing or damaged.

    Args:
        blobs: Where the files lie for good.
        folder: Where copies are put; may be emptied at any time.
    """

    def __init__(self, blobs: Blobs, folder: Path) -> None:
        self.blobs, self.folder = blobs, folder

    def materialise(self, files: Mapping[str, str], *, wanted: Collection[str] | None = None) -> Path:
        """A folder that holds the files, each checked by its hash.

        Args:
            files: File name to the blob's SHA-256.
            wanted: Names that are needed; None: all.

        Raises:
            wearvision.errors.ModelError: a blob is gone or is not what its name says, or the disk cannot be written.
        """
        folder = self.folder / digest_of(files)
        for name, digest in files.items():
            if Path(name).name != name or name.startswith("."):
                raise ModelError(f"{name!r} is no name of a model's file.")
            if wanted is not None and name not in wanted:
                continue
            try:
                self._file(folder / name, digest)
            except OSError as error:
                raise ModelError(f"The model's file {name} cannot be had: {error}.") from error
        return folder

    def _file(self, path: Path, digest: str) -> None:
        if path.is_file() and _hash(path.read_bytes()) == digest:
            return
        data = self.blobs.get(digest)
        if _hash(data) != digest:
            raise OSError(f"its bytes in the store are damaged (SHA-256 is not {digest[:12]}…)")
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, draft = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            Path(draft).replace(path)  # another process may do the same at this moment: both write the same bytes
        except BaseException:
            Path(draft).unlink(missing_ok=True)
            raise
        sync_folder(path.parent)


def digest_of(files: Mapping[str, str]) -> str:
    """Fingerprint of a model as a whole: two with one graph and other calibrations are two models."""
    return _hash(json.dumps(dict(sorted(files.items())), separators=(",", ":")).encode())


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def source_of(session: Session, files: ModelFiles, model: str, *, all_files: bool = False) -> str | Path:
    """What ``Grader`` takes for a model's id: a site's folder, or the id of a released one.

    Args:
        session: Open, for reading.
        files: Of this machine.
        model: Id.
        all_files: Whether weights are needed, too.

    Raises:
        wearvision.errors.ModelError: there is no such model, or its files cannot be had.
    """
    row = session.get(ModelRow, model)
    if row is not None:
        return files.materialise(row.files, wanted=None if all_files else GRADING)
    if model in released_models():
        return model
    raise ModelError(f"There is no model {model!r}, neither released nor of this site.")


def free_id(session: Session, name: str) -> str:
    """An id for a new model of this name that nothing has, such as ``site-yard-2``."""
    stem = PREFIX + (re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:50].strip("-") or "model")
    taken = {*session.scalars(select(ModelRow.id)), *session.scalars(select(TrainingRow.model_id))}
    number = 1
    while f"{stem}-{number}" in taken:
        number += 1
    return f"{stem}-{number}"


def keep(
    session: Session,
    blobs: Blobs,
    folder: Path,
    *,
    owner_id: str,
    base: str,
    report: Mapping[str, Any],
    gate: Mapping[str, Any],
    training_id: str | None = None,
    set_id: str | None = None,
) -> ModelRow:
    """Takes a model folder in; the caller commits.

    Args:
        session: Of a writing transaction, or one not begun: the files are written first.
        blobs: Where its files go.
        folder: With ``model.onnx``, ``model.json``, and what else belongs to it.
        owner_id: Account of whoever made it.
        base: Id of the model it comes from.
        report: Old against new.
        gate: What the gate said of it.
        training_id: That made it.
        set_id: It learned from.

    Raises:
        wearvision.errors.ModelError: the folder is no model.
        wearvision.errors.InputError: its id is none for a site's model, or is taken.
    """
    model = ModelFolder.open(folder)
    if model.record["sha256"] != model.sha256:
        raise ModelError(f"{folder / 'model.onnx'} does not match the checksum in model.json.")
    key = str(model.record["id"])
    if not re.fullmatch(ID_FORM, key):
        raise InputError(f"{key!r} is no id of a site's model; it begins with {PREFIX} and has small letters, digits.")
    names = sorted(path.name for path in folder.iterdir() if path.name in GRADING | {WEIGHTS})
    files = {name: blobs.put((folder / name).read_bytes()) for name in names}
    if session.get(ModelRow, key) is not None:
        raise InputError(f"There is a model {key!r} already; a model is never replaced, choose another id.")
    row = ModelRow(
        id=key,
        sha256=model.sha256,
        owner_id=owner_id,
        created_at=now(),
        base=base,
        training_id=training_id,
        set_id=set_id,
        files=files,
        report=dict(report),
        gate=dict(gate),
    )
    session.add(row)
    session.flush()
    return row
