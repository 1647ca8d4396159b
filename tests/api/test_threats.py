"""The threat model names tests; each of them is there. What they check against stands in them."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import wearvision_api

TESTS = Path(__file__).parents[1]
NAMED = re.compile(r"`([\w/]+\.py)::(\w+)`")


def test_every_test_that_the_threat_model_names_is_there() -> None:
    text = (Path(str(wearvision_api.__file__)).parent / "THREATS.md").read_text("utf-8")
    named = NAMED.findall(text)
    assert len(named) > 40
    assert len(text.splitlines()) <= 120
    for file, name in named:
        tree = ast.parse((TESTS / file).read_text("utf-8"))
        assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, f"{file}::{name}"


def test_each_attacker_is_stopped_by_a_test_or_said_to_be_open() -> None:
    text = (Path(str(wearvision_api.__file__)).parent / "THREATS.md").read_text("utf-8")
    body = text.partition("## Who, and what stops them")[2].partition("## What an operator must do")[0]
    attackers = re.split(r"\n\*\*(?=[A-Z])", body)[1:]
    assert len(attackers) >= 8
    for one in attackers:
        for line in re.split(r"\n- ", one)[1:]:
            assert NAMED.search(line) or "open" in line.lower(), line
