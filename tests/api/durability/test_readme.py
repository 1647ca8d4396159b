"""The README's own examples, as a reader would paste them, against a served process."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from .process import Served

ROOT = Path(__file__).parents[3]
ADDRESS = "http://127.0.0.1:8460"


def example(language: str) -> str:
    blocks = re.findall(rf"```{language}\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    return next(block for block in blocks if ADDRESS in block)


@pytest.mark.parametrize(
    ("language", "program", "said"),
    [("bash", ["bash", "-ec"], '"possible_grades"'), ("python", [sys.executable, "-c"], "Lit resistance")],
)
def test_readme_client_example_runs_as_it_stands(
    tmp_path: Path, language: str, program: list[str], said: str
) -> None:
    with Served(tmp_path / "data") as service:
        text = example(language).replace(ADDRESS, service.address)
        done = subprocess.run(
            [*program, text], cwd=ROOT, env=os.environ, capture_output=True, text=True, timeout=60, check=False
        )
    assert done.returncode == 0, done.stderr
    assert said in done.stdout
