"""Stands in for the training's command: goes through its stages quickly, and ends as it is told to.

``python training_stub.py --set … --base … --id … --out … [--stage …]``; the set's folder holds ``how.json``.
"""

from __future__ import annotations

import json
import shutil
import sys
import time
from pathlib import Path

given = dict(zip(sys.argv[1::2], sys.argv[2::2], strict=True))
out, data = Path(given["--out"]), Path(given["--set"])
how = json.loads((data / "how.json").read_text("utf-8"))


def say(stage: str, done: int, of: int, words: str = "") -> None:
    with (out / "progress.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps({"at": "now", "stage": stage, "done": done, "of": of, "say": words}) + "\n")


state = out / "done.txt"
begun = int(state.read_text("ascii")) if state.exists() else 0
for step in range(begun, how["steps"]):
    if not how.get("deaf") and (out / "stop").exists():
        say("stopped", step, how["steps"])
        sys.exit(3)
    time.sleep(how["pause"])
    state.write_text(str(step + 1), "ascii")
    say("heads", step + 1, how["steps"], f"step {step + 1}, begun at {begun}")
if how.get("fails"):
    say("failed", 0, 1, how["fails"])
    sys.exit(1)
if how.get("crashes"):
    raise RuntimeError(how["crashes"])
if how.get("deaf"):
    time.sleep(600)
shutil.copytree(how["model"], out / "model", dirs_exist_ok=True)
record = json.loads((out / "model" / "model.json").read_text("utf-8"))
(out / "model" / "model.json").write_text(json.dumps(record | {"id": given["--id"]}), "utf-8")
(out / "report.json").write_text(json.dumps(how["report"]), "utf-8")
