"""Runs the stages of a release side by side, one at a time on each device, and keeps account of them."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from wearvision_training.release.stages import Drawing, Stage, Training
from wearvision_training.release.status import Status, last_lines, now

TICK = 0.1
NOTED = 5.0
"""Seconds between writes of the status: what is lost of the account when the machine goes down."""
MARGIN = 15.0
"""Seconds before the end of a call at which stages are to end by themselves, so that they lose nothing."""
WORTH = 5.0
"""Seconds that must be left beyond the margin for anything to be started."""
GRACE = 60.0
"""Seconds after its time in which a set may still be drawing the pictures that were begun."""
PATIENCE = 45.0
"""Seconds in which a stage that was asked to stop may write what it has."""


@dataclass(slots=True)
class _Process:
    """A stage at work.

    Attributes:
        used: Seconds spent on the stage before. begun: when this start was.
        until: When it is asked to stop; once ``asked``, when it is ended.
    """

    stage: Stage
    takes: frozenset[str]
    process: subprocess.Popen[bytes]
    log: Path
    used: float
    begun: float
    until: float = math.inf
    asked: bool = False


class Runner:
    """Starts what can start, until nothing can.

    Args:
        stages: In the order in which those that take the same device run; those not to be run are ``ended``.
        out: Folder of the release.
        say: Told of what begins and ends.
        limit: Seconds after which this call stops; None for none.
        stop: Set when someone asks to stop.
        lock: An open file that every stage keeps open, so that it stays locked while any is at work.
    """

    def __init__(
        self, stages: Sequence[Stage], out: Path, say: Callable[[str], None], *,
        limit: float | None = None, stop: threading.Event | None = None, lock: int | None = None,
    ) -> None:  # fmt: skip
        self.stages, self.out, self.say, self.lock = stages, out, say, lock
        self.stop = stop or threading.Event()
        self.deadline = math.inf if limit is None else time.monotonic() + limit
        self.status = Status(out / "status.json")
        self.running: list[_Process] = []
        self.chosen = [stage for stage in stages if not stage.ended]
        (out / "logs").mkdir(parents=True, exist_ok=True)

    def go(self) -> bool:
        """Runs to the end or until stopped; returns whether every stage is over."""
        for stage in self.chosen:
            stage.ended = self._over(stage) or self._in_vain(stage)
            entry = self.status[stage.name]
            if stage.ended and entry.result in ("", "running"):  # brought from elsewhere, or the machine went down
                entry.result, entry.pictures = "done" if self._over(stage) else "not needed", stage.pictures()
            elif stage.ended and (others := _differences(stage.arguments, entry.command)):
                self.say(f"{stage.name}: kept, but made without {' '.join(others)}; remove {stage.product} first")
        written = time.monotonic()
        try:
            while not self._halted():
                self._collect()
                self._start()
                if not self.running:
                    break
                if time.monotonic() - written > NOTED:
                    self._account()
                    written = time.monotonic()
                self.stop.wait(TICK)
        finally:
            self._end()
        return all(self._over(stage) or self._in_vain(stage) for stage in self.chosen)

    def failed(self, stage: Stage) -> bool:
        """Whether a stage was to run and brought nothing."""
        return stage in self.chosen and self.status[stage.name].result in ("failed", "not possible")

    def _halted(self) -> bool:
        return self.stop.is_set() or time.monotonic() >= self.deadline

    def _over(self, stage: Stage) -> bool:
        entry = self.status[stage.name]
        over: bool = stage.over(entry.seconds, entry.result)
        return over

    def _in_vain(self, stage: Stage) -> bool:
        return stage.serves is not None and self._over(stage.serves)

    def _start(self) -> None:
        if self.deadline - time.monotonic() < MARGIN + WORTH:
            return
        taken = frozenset[str]().union(*(one.takes for one in self.running))
        busy = {id(one.stage) for one in self.running}
        for stage in self.stages:
            if stage.ended or id(stage) in busy:
                continue
            if lacking := [need.stage.name for need in stage.needs if need.stage.ended and not need.stage.usable()]:
                self._give_up(stage, lacking)
                continue
            free = [device for device in stage.takes if device not in taken]
            takes = frozenset(free[:1] if stage.one else stage.takes)
            ready = all(need.stage.ended or need.enough() for need in stage.needs)
            if ready and takes and not takes & taken:
                self._launch(stage, takes)
            # A stage that waits keeps its devices from those behind it, or these would overtake it for ever.
            taken |= takes or frozenset(stage.takes)

    def _give_up(self, stage: Stage, lacking: list[str]) -> None:
        stage.ended = True
        entry = self.status[stage.name]
        entry.result, entry.note = "not possible", f"nothing came of {', '.join(lacking)}"
        self.say(f"{stage.name}: {entry.result}, {entry.note}")

    def _launch(self, stage: Stage, takes: frozenset[str]) -> None:
        entry, begun = self.status[stage.name], time.monotonic()
        command = stage.command(entry.seconds, None if math.isinf(self.deadline) else self.deadline - MARGIN - begun)
        log = self.out / "logs" / f"{stage.name}.log"
        environment = dict(os.environ)
        if isinstance(stage, Drawing):
            environment.setdefault("OMP_NUM_THREADS", "1")  # its workers are many already
        if stage.one and takes != {"cpu"}:
            environment["CUDA_VISIBLE_DEVICES"] = ",".join(takes)
        with log.open("ab") as file:
            process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=file, stderr=subprocess.STDOUT, env=environment,
                start_new_session=True, pass_fds=[] if self.lock is None else [self.lock],
            )  # fmt: skip
        one = _Process(stage, takes, process, log, entry.seconds, begun)
        if isinstance(stage, Drawing) and "--time-limit" in command:
            one.until = begun + float(command[-1]) + GRACE
        self.running.append(one)
        entry.command, entry.result, entry.end, entry.note = command, "running", "", ""
        entry.start, entry.starts = entry.start or now(), entry.starts + 1
        self.say(f"{stage.name}: begins")
        self._account()

    def _account(self) -> None:
        for one in self.running:
            entry = self.status[one.stage.name]
            entry.seconds, entry.pictures = one.used + time.monotonic() - one.begun, one.stage.pictures()
        self.status.write()

    def _collect(self) -> None:
        for one in list(self.running):
            if not one.asked and (time.monotonic() > one.until or self._in_vain(one.stage)):
                self._ask(one)
            if one.asked and time.monotonic() > one.until:
                _signal(one.process, signal.SIGKILL)
            if one.process.poll() is not None:
                self._note(one)

    def _ask(self, one: _Process) -> None:
        one.asked, one.until = True, time.monotonic() + PATIENCE
        _signal(one.process, signal.SIGTERM)

    def _note(self, one: _Process) -> None:
        """Notes how a start ended, and whether the stage goes on in this call."""
        self._account()
        self.running.remove(one)
        _signal(one.process, signal.SIGKILL)  # workers that outlived it
        stage, entry, code = one.stage, self.status[one.stage.name], one.process.returncode
        entry.end = now()
        entry.result = self._result(one)
        # A training that ended a leg goes on at once; everything else had its turn.
        stage.ended = not (isinstance(stage, Training) and entry.result == "stopped" and code == 0 and not one.asked)
        self.say(f"{stage.name}: {entry.result} after {entry.seconds:.0f} s{_told(entry.pictures)}")
        if entry.result == "failed" or (code != 0 and not one.asked):
            entry.note = last_lines(one.log)
            self.say(f"{stage.name} ended with code {code}; the last lines of {one.log}:\n{entry.note}")
        self.status.write()

    def _result(self, one: _Process) -> str:
        stage, entry, code = one.stage, self.status[one.stage.name], one.process.returncode
        if isinstance(stage, Drawing):
            if stage.pictures() >= stage.plan.count:
                return "done"
            if stage.over(entry.seconds, "") or (stage.usable() and (code != 0 or self._in_vain(stage))):
                return "stopped" if one.asked and self._halted() else "short"
            return "stopped" if self._ran_out(one) else "failed"
        if stage.over(entry.seconds, "done" if code == 0 else ""):
            return "done"
        return "stopped" if self._ran_out(one) or (isinstance(stage, Training) and code == 0) else "failed"

    def _ran_out(self, one: _Process) -> bool:
        """Whether it was this call that ended, not the stage."""
        return self._halted() or time.monotonic() > self.deadline - MARGIN - WORTH

    def _end(self) -> None:
        """Stops what is still at work, and waits for it to have written what it has."""
        for one in self.running:
            self._ask(one)
        while self.running:
            self._collect()
            time.sleep(TICK)
        self.status.write()


def _differences(wanted: Sequence[str], had: Sequence[str]) -> list[str]:
    """Words of a command that it did not have when it was run, but for paths, which differ from machine to machine."""
    return [word for word in wanted if word not in had and "/" not in word]


def _told(pictures: int | None) -> str:
    return "" if pictures is None else f", {pictures} pictures"


def _signal(process: subprocess.Popen[bytes], kind: signal.Signals) -> None:
    """Signals a process and all that it started."""
    try:
        os.killpg(process.pid, kind)
    except ProcessLookupError:
        return
