"""Photos as blobs under the SHA-256 of their bytes: written once, whole or not at all, never changed."""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from fsspec.implementations.local import LocalFileSystem

from wearvision_api.store.object_store import StoreAwayError, Turns, ask, open_system

_NAME = re.compile(r"[0-9a-f]{64}")
DRAFT = ".part-"
_LOCK = ".lock"
MARK = ".here"
"""An object that shows by being readable that an object store answers: no list is asked for."""


class Blobs:
    """A store of bytes; safe to share between threads and processes.

    In a folder every writer holds the folder's lock together with other writers, and what removes holds it alone:
    so nothing is removed that somebody is about to rely on.

    Args:
        url: fsspec address of the folder, such as ``file:///srv/photos`` or that of an object store, such as
            ``s3://bucket/photos``.

    Raises:
        wearvision.errors.SetupError: what this kind of store needs is not installed.
    """

    def __init__(self, url: str) -> None:
        self.system, self.root = open_system(url)
        self._turns = Turns()

    @property
    def in_folder(self) -> bool:
        """Whether it is a folder of this machine, not an object store."""
        return isinstance(self.system, LocalFileSystem)

    def put(self, data: bytes) -> str:
        """Keeps bytes; when it returns they survive a loss of power.

        Returns:
            Their SHA-256, hex.

        Raises:
            OSError: they could not be written; nothing is left behind. ``StoreAwayError`` where it is an object store.
        """
        name = hashlib.sha256(data).hexdigest()
        path = self._path(name)
        if self.in_folder:
            with self._locked(fcntl.LOCK_SH):
                _write_durably(Path(path), data)
        else:
            with self._turns.one():  # one upload: whole or not at all; again, so that it counts as fresh
                ask(self.system, "pipe_file", path, data)
        return name

    def get(self, name: str) -> bytes:
        """The bytes under a hash.

        Raises:
            FileNotFoundError: there are none.
            wearvision_api.store.object_store.StoreAwayError: an object store does not answer.
        """
        path = self._path(name)
        if self.in_folder:
            return Path(path).read_bytes()
        with self._turns.one():
            data: bytes = ask(self.system, "cat_file", path)
        return data

    def names(self) -> list[str]:
        """All hashes that are kept."""
        self.system.invalidate_cache()  # other processes write, too
        if not self.system.exists(self.root):
            return []
        found = (path.rsplit("/", 1)[-1] for path in self.system.find(self.root))
        return sorted(name for name in found if _NAME.fullmatch(name))

    def check(self) -> None:
        """Finds out whether the store answers; makes its folder, or its mark. Raises OSError where it does not."""
        if self.in_folder:
            folder = Path(self.root)
            if not folder.is_dir():
                folder.mkdir(parents=True, exist_ok=True)
                for entry in (folder, *folder.parents[:2]):
                    sync_folder(entry)
            if not os.access(folder, os.W_OK):
                raise PermissionError(f"{folder} cannot be written")
            return
        mark = f"{self.root}/{MARK}"
        with self._turns.one():
            try:
                ask(self.system, "cat_file", mark)
                return
            except FileNotFoundError:
                self._make_mark(mark)

    def _make_mark(self, mark: str) -> None:
        try:
            ask(self.system, "pipe_file", mark, b"wearvision keeps photos here\n")
        except FileNotFoundError as error:
            raise StoreAwayError(f"there is no {self.root} in the photo store: {error}") from error

    def remove_drafts(self) -> int:
        """Removes what writers left that were killed while they wrote; gives their number."""
        if not self.in_folder:
            return 0
        drafts = list(Path(self.root).glob(f"??/{DRAFT}*"))
        if drafts:
            with self._locked(fcntl.LOCK_EX):  # no writer is at work now: they are nobody's, or gone
                for draft in drafts:
                    draft.unlink(missing_ok=True)
        return len(drafts)

    def remove(self, names: Iterable[str], *, idle_s: float) -> list[str]:
        """Removes blobs that nobody has put for a while.

        Args:
            names: Hashes that no record names.
            idle_s: Seconds since somebody put these bytes; longer than any request may take to record them.

        Returns:
            What was removed.

        Raises:
            NotImplementedError: the store is not a folder; it has no lock against writers.
        """
        if not self.in_folder:
            raise NotImplementedError("only a folder can be swept while the service runs")
        removed = []
        for name in names:
            path = Path(self._path(name))
            with self._locked(fcntl.LOCK_EX):
                if path.exists() and time.time() - path.stat().st_mtime >= idle_s:
                    path.unlink()
                    removed.append(name)
        return removed

    def discard(self, name: str, *, idle_s: float) -> bool:
        """Removes one blob for good, from an object store, too, unless somebody is at work with it.

        Args:
            name: Its hash; no record may hold it.
            idle_s: Seconds since somebody put these bytes.

        Returns:
            Whether it was there and is gone now. False also while a writer or a backup holds the folder; an object
            store has no such lock, only the moment of the last upload.
        """
        path = self._path(name)
        if self.in_folder:
            if not Path(path).exists():
                return False
            try:
                with self._locked(fcntl.LOCK_EX | fcntl.LOCK_NB):
                    old = Path(path).exists() and time.time() - Path(path).stat().st_mtime >= idle_s
                    if old:
                        Path(path).unlink()
                        sync_folder(Path(path).parent)
                    return old
            except BlockingIOError:
                return False
        with self._turns.one():
            try:
                self.system.invalidate_cache()
                if time.time() - self.system.modified(path).timestamp() < idle_s:
                    return False
                ask(self.system, "rm_file", path)
            except FileNotFoundError:
                return False
        return True

    @contextmanager
    def kept(self) -> Iterator[None]:
        """Nothing is removed from a folder within; writers go on. An object store knows no such lock."""
        if self.in_folder and Path(self.root).is_dir():
            with self._locked(fcntl.LOCK_SH):
                yield
        else:
            yield

    @contextmanager
    def _locked(self, how: int) -> Iterator[None]:
        handle = os.open(f"{self.root}/{_LOCK}", os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(handle, how)
            yield
        finally:
            os.close(handle)

    def _path(self, name: str) -> str:
        if not _NAME.fullmatch(name):
            raise FileNotFoundError(f"{name!r} names no blob")
        return f"{self.root}/{name[:2]}/{name}"


def _write_durably(path: Path, data: bytes) -> None:
    """Bytes to disk first, then their name, then the folder's entry: a crash leaves the whole file or none.

    Bytes that are there already are marked as wanted; their entry is synced again, since whoever wrote them may not
    have come to that yet.
    """
    if path.exists() and path.stat().st_size == len(data):
        os.utime(path)
    else:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, draft = tempfile.mkstemp(dir=path.parent, prefix=DRAFT)
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
        sync_folder(folder)


def sync_folder(folder: Path) -> None:
    """Brings a folder's entries to disk."""
    entry = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(entry)
    finally:
        os.close(entry)
