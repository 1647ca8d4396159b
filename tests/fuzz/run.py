"""Fuzzes the readers of what strangers send, guided by coverage; prints inputs, seconds, edges and faults.

    python tests/fuzz/run.py --seconds 60 --jobs 2                   # every target for a minute, two at a time
    python tests/fuzz/run.py --target photo --corpus FOLDER          # goes on from the inputs that an earlier run kept

Needs the extra ``fuzz``. Faults (an untyped error, a hang, too much memory, a crash) are kept as files below
``--found``, one for each place in the code. Edges are those of Python code; compiled decoders are run, but not
watched from within.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]
WATCHED = ["wearvision", "wearvision_api", "tomllib", "json", "zipfile", "PIL", "csv"]
_PULSE = re.compile(rb"^#(\d+)\s+\S+\s+cov: (\d+)", re.MULTILINE)
_MOST_STARTS = 50


@dataclass
class Tally:
    """What became of one target."""

    name: str
    inputs: int = 0
    seconds: float = 0.0
    edges: int = 0
    faults: set[str] = field(default_factory=set)

    def line(self) -> str:
        """One line of the table."""
        rate = self.inputs / self.seconds if self.seconds else 0.0
        return f"{self.name:<16}{self.inputs:>12,}{self.seconds:>9.0f}{rate:>9,.0f}{self.edges:>8}{len(self.faults):>8}"


def main() -> int:
    """Runs what was asked; 1 where a fault was found."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, default=30, help="for each target")
    parser.add_argument("--jobs", type=int, default=1, help="targets at the same time")
    parser.add_argument("--target", action="append", help="only this one; repeatable")
    parser.add_argument("--corpus", type=Path, help="where inputs that reach new code are kept")
    parser.add_argument("--found", type=Path, help="where faults are kept")
    parser.add_argument("--only", help=argparse.SUPPRESS)  # a child: one target, the rest goes to the fuzzer
    asked, rest = parser.parse_known_args()
    if asked.only:
        return _child(asked.only, asked.found, rest)
    from fuzz_targets import TARGETS

    home = Path(tempfile.mkdtemp(prefix="fuzz-"))
    corpus, found = (asked.corpus or home / "corpus").absolute(), (asked.found or home / "found").absolute()
    names = asked.target or list(TARGETS)
    with ThreadPoolExecutor(asked.jobs) as pool:
        tallies = list(pool.map(lambda name: _fuzz(name, asked.seconds, corpus, found), names))
    _print(tallies, found)
    return 1 if any(tally.faults for tally in tallies) else 0


def _fuzz(name: str, seconds: int, corpus: Path, found: Path) -> Tally:
    """One target until its time is over; a process that a hang or crash ended is started again."""
    from fuzz_targets import TARGETS

    target, tally = TARGETS[name], Tally(name)
    kept, faults = corpus / name, found / name
    kept.mkdir(parents=True, exist_ok=True)
    faults.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds()):
        (kept / f"seed-{number}").write_bytes(seed)
    words = corpus / f"{name}.dict"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in target.words if len(word) <= 64))
    for start in range(_MOST_STARTS):
        left = seconds - tally.seconds
        if left < 1:
            break
        began = time.monotonic()
        command = [
            *(sys.executable, __file__, "--only", f"{target.run.__module__}:{name}", "--found", str(faults)),
            *(f"-max_total_time={left:.0f}", f"-max_len={target.most_bytes}", f"-rss_limit_mb={target.most_mb}"),
            *(f"-timeout={target.most_s}", f"-artifact_prefix={faults}/native-", f"-seed={start + 1}"),
            *([f"-dict={words}"] if target.words else []),
            str(kept),
        ]
        with tempfile.TemporaryFile() as told:
            subprocess.run(
                command, stdout=subprocess.DEVNULL, stderr=told, check=False, env=os.environ | {"OMP_NUM_THREADS": "1"}
            )
            told.seek(0)
            pulses = _PULSE.findall(told.read())
        tally.seconds += time.monotonic() - began
        if not pulses:
            print(f"{name}: the fuzzer did not start", file=sys.stderr)
            break
        tally.inputs += max(int(count) for count, _ in pulses)
        tally.edges = max(tally.edges, *(int(edges) for _, edges in pulses))
    tally.faults = {path.name for path in faults.iterdir() if path.suffix != ".txt"}
    print(tally.line(), flush=True)
    return tally


def _escaped(word: bytes) -> str:
    return "".join(rf"\x{code:02x}" for code in word)


def _child(name: str, found: Path, rest: list[str]) -> int:
    """Runs the fuzzer in this process; Python's errors are kept and it goes on, anything worse ends it."""
    import atheris

    with atheris.instrument_imports(include=WATCHED):
        room, _, own = name.partition(":")
        target = next(one for one in importlib.import_module(room).TARGETS if one.name == own)
        guarded = _kept(target.run, found)
        for seed in target.seeds():  # loads what is imported late
            guarded(seed)
    atheris.Setup([sys.argv[0], *rest], guarded)
    atheris.Fuzz()
    return 0


def _kept(run: Callable[[bytes], None], found: Path) -> Callable[[bytes], None]:
    """Takes errors and keeps the first input of each place in the code that raises one."""
    known: set[str] = set()

    def guarded(data: bytes) -> None:
        try:
            run(data)
        except Exception as error:
            frames = traceback.extract_tb(error.__traceback__)
            last = next(
                (one for one in reversed(frames) if "wearvision" in one.filename or "/api/" in one.filename), frames[-1]
            )
            place = f"{type(error).__name__}-{Path(last.filename).stem}-{last.lineno}"
            if place not in known:
                known.add(place)
                (found / place).write_bytes(data)
                (found / f"{place}.txt").write_text(
                    "".join(traceback.format_exception(error))[-4000:], "utf-8", "replace"
                )

    return guarded


def _print(tallies: list[Tally], found: Path) -> None:
    print(f"\n{'target':<16}{'inputs':>12}{'seconds':>9}{'a second':>9}{'edges':>8}{'faults':>8}")
    for tally in tallies:
        print(tally.line())
        for fault in sorted(tally.faults):
            print(f"    {found / tally.name / fault}")
    total = sum(tally.inputs for tally in tallies), sum(tally.seconds for tally in tallies)
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    print(f"{'all':<16}{total[0]:>12,}{total[1]:>9.0f}")
    print(f"{os.cpu_count()} cores, load {load}, Python {sys.version.split()[0]}, atheris {_version('atheris')}")
    print(
        json.dumps(
            {tally.name: [tally.inputs, round(tally.seconds), tally.edges, len(tally.faults)] for tally in tallies}
        )
    )


def _version(package: str) -> str:
    from importlib.metadata import version

    return version(package)


if __name__ == "__main__":
    sys.exit(main())
