"""Photos as blobs under the SHA-256 of their bytes: written once, whole or not at all, never changed."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from pathlib import Path

import fsspec
from fsspec.implementations.local import LocalFileSystem

_NAME = re.compile(r"[0-9a-f]{64}")


class Blobs:
    """A store of bytes; safe to share between threads and processes.

    Args:
        url: fsspec address of the folder, such as ``file:///srv/photos`` or that of an object store.
    """

    def __init__(self, url: str) -> None:
        self.system, root = fsspec.core.url_to_fs(url)
        self.root = root.rstrip("/")

    def put(self, data: bytes) -> str:
        """Keeps bytes; when it returns they survive a loss of power.

        Returns:
            Their SHA-256, hex.

        Raises:
            OSError: they could not be written; nothing is left behind.
        """
        name = hashlib.sha256(data).hexdigest()
        path = self._path(name)
        if self.system.exists(path) and self.system.size(path) == len(data):
            return name
        if isinstance(self.system, LocalFileSystem):
            _write_durably(Path(path), data)
        else:
            self.system.pipe_file(path, data)
        return name

    def get(self, name: str) -> bytes:
        """The bytes under a hash.

        Raises:
            FileNotFoundError: there are none.
        """
        data: bytes = self.system.cat_file(self._path(name))
        return data

    def names(self) -> list[str]:
        """All hashes that are kept."""
        if not self.system.exists(self.root):
            return []
        found = (path.rsplit("/", 1)[-1] for path in self.system.find(self.root))
        return sorted(name for name in found if _NAME.fullmatch(name))

    def check(self) -> None:
        """Finds out whether the store answers. Raises OSError where it does not."""
        if isinstance(self.system, LocalFileSystem):
            Path(self.root).mkdir(parents=True, exist_ok=True)
            if not os.access(self.root, os.W_OK):
                raise PermissionError(f"{self.root} cannot be written")
        else:
            self.system.exists(self.root)

    def _path(self, name: str) -> str:
        if not _NAME.fullmatch(name):
            raise FileNotFoundError(f"{name!r} names no blob")
        return f"{self.root}/{name[:2]}/{name}"


def _write_durably(path: Path, data: bytes) -> None:
    """Bytes to disk first, then their name, then the folder's entry: a crash leaves the whole file or none."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(draft).replace(path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
    for folder in (path.parent, path.parent.parent):
        entry = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(entry)
        finally:
            os.close(entry)
