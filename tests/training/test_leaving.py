"""Workers leave with a parent that was killed, which can tell nobody."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

PARENT = """
import os, sys, time
from multiprocessing import get_context
from wearvision_training.leaving import leave_with

def work(parent):
    leave_with(parent)
    print(os.getpid(), flush=True)
    time.sleep(600)

if __name__ == "__main__":
    get_context("spawn").Process(target=work, args=(os.getpid(),)).start()
    time.sleep(600)
"""


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return "State:\tZ" not in Path(f"/proc/{pid}/status").read_text()  # not reaped yet, but dead


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="looks at /proc")
def test_a_worker_leaves_with_its_killed_parent(tmp_path: Path) -> None:
    program = tmp_path / "parent.py"
    program.write_text(PARENT)
    with subprocess.Popen([sys.executable, str(program)], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        assert is_there(worker)
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        until = time.monotonic() + 60
        try:
            while is_there(worker):
                assert time.monotonic() < until, "it stayed"
                time.sleep(0.1)
        except FileNotFoundError:
            pass  # gone between two looks
