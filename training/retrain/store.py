"""Files of a training: whole or not there at all, so that the same command can go on after any end."""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.retrain.progress import Failed


def write_bytes(path: Path, data: bytes) -> None:
    """Writes a file, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        draft.write_bytes(data)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def write_json(path: Path, value: Any) -> None:
    """Writes JSON, whole or not at all."""
    write_bytes(path, json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False).encode())


def read_json(path: Path) -> Any:
    """What ``write_json`` wrote; None where the file is not there."""
    try:
        return json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return None


def write_arrays(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Writes arrays into one file, whole or not at all."""
    import io

    held = io.BytesIO()
    np.savez(held, allow_pickle=False, **arrays)
    write_bytes(path, held.getvalue())


def read_arrays(path: Path) -> dict[str, NDArray[Any]] | None:
    """What ``write_arrays`` wrote; None where the file is not there."""
    if not path.is_file():
        return None
    with np.load(path, allow_pickle=False) as held:
        return {name: held[name] for name in held.files}


def bind(file: Path, settings: Mapping[str, Any]) -> None:
    """Writes down what a folder's training is made from, and refuses a folder that holds another.

    Raises:
        Failed: it does; the message says what differs.
    """
    held = read_json(file)
    if held is None:
        write_json(file, settings)
        return
    if other := [name for name, value in settings.items() if held.get(name) != value]:
        differs = ", ".join(f"{name} {held.get(name)}" for name in other)
        raise Failed(f"{file.parent} holds another training, with {differs}; choose an empty folder.")


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keeps other processes from working in a folder; a process that dies lets go of it.

    Raises:
        Failed: another is at work there.
    """
    handle = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise Failed(f"Another training is at work in {folder}.") from None
    try:
        yield
    finally:
        os.close(handle)
