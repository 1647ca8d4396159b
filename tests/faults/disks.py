"""Small file systems of their own, to fill up, to protect against writing, and to break. Only root may mount them."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

BUSY_S = 20.0


@contextmanager
def small_disk(folder: Path, mib: int) -> Iterator[Path]:
    """A file system in memory; skips the test where it cannot be mounted."""
    folder.mkdir(parents=True)
    if os.geteuid() or _call("mount", "-t", "tmpfs", "-o", f"size={mib}m", "none", str(folder)):
        pytest.skip("only root may mount a small file system here")
    try:
        yield folder
    finally:
        _call("umount", "-l", str(folder))


def fill(folder: Path) -> Path:
    """A file that takes all the room there is."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        for size in (1 << 20, 1 << 12, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue
    return ballast


def remount(folder: Path, how: str) -> None:
    """Mounts it ``ro`` or ``rw``; waits for the moment in which nobody has a file open for writing."""
    until = time.monotonic() + BUSY_S
    while _call("mount", "-o", f"remount,{how}", str(folder)):
        assert time.monotonic() < until, f"{folder} stayed in use"
        time.sleep(0.002)


class BreakingDisk:
    """An ext4 file system in a file that can be made to fail as on a broken disk: from then on it is read-only.

    Args:
        image: Of the file.
        folder: Where it is mounted.
        mib: Its size.
    """

    def __init__(self, image: Path, folder: Path, mib: int) -> None:
        self.image, self.folder = image, folder
        folder.mkdir(parents=True)
        with image.open("wb") as file:
            file.truncate(mib << 20)
        if os.geteuid() or _call("mkfs.ext4", "-q", "-F", str(image)) or self._mount():
            pytest.skip("only root may mount a file system from a file here")

    def _mount(self) -> int:
        return _call("mount", "-o", "loop,errors=remount-ro", str(self.image), str(self.folder))

    def fail(self) -> None:
        """Lets the kernel find an error in it."""
        device = Path(os.fsdecode(subprocess.check_output(["findmnt", "-no", "SOURCE", str(self.folder)]).strip())).name
        handle = os.open(f"/sys/fs/ext4/{device}/trigger_fs_error", os.O_WRONLY)
        try:
            os.write(handle, b"broken\n")
        finally:
            os.close(handle)

    def mend(self) -> None:
        """As an operator does: unmounts, repairs, mounts again. Nobody may have a file open in it."""
        until = time.monotonic() + BUSY_S
        while _call("umount", str(self.folder)):
            assert time.monotonic() < until, f"{self.folder} stayed in use"
            time.sleep(0.05)
        assert _call("e2fsck", "-fy", str(self.image)) < 4, "it could not be repaired"
        assert not self._mount()

    def close(self) -> None:
        """Lets go of it."""
        _call("umount", "-l", str(self.folder))


def _call(*command: str) -> int:
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode
    except FileNotFoundError:
        return 127
