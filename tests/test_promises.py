"""What README and DEVELOPERS name is there: tests, benchmarks, commands and options, settings. Nothing is run."""

from __future__ import annotations

import ast
import re
import shlex
from functools import cache
from pathlib import Path

import click
import pytest

from wearvision import cli
from wearvision_api.commands import COMMANDS as OF_THE_SERVICE
from wearvision_api.settings import ENV_PREFIX, Settings
from wearvision_training.__main__ import main as workshop

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
SECTION = DEVELOPERS.partition("\n## Promises and what keeps them\n")[2].partition("\n## ")[0]
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")] for line in SECTION.splitlines() if line.startswith("| ")
][1:]
BESIDES = {"WEARVISION_RENDER", "WEARVISION_PHOTOS"}
"""Variables that the workshop reads; the others are the service's settings."""


@cache
def names_in(file: Path) -> frozenset[str]:
    """Functions of a module, those of its classes too."""
    tree = ast.parse(file.read_text("utf-8"))
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def shown(text: str) -> list[list[str]]:
    """The words of each command line in the text's blocks and in backquotes."""
    blocks = re.findall(r"^```[a-z]*\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    prose = re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)
    lines += re.findall(r"`((?:wearvision|python -m) [^`\n]+)`", prose)
    found = []
    for line in lines:
        if re.match(r"\s*(\S*/)?(wearvision|python3?|sudo)\s", line):
            found += [shlex.split(one.strip("; "), comments=True) for one in line.split("&&")]
    return [words for words in found if words]


LINES = shown(README) + shown(DEVELOPERS)


def command_of(words: list[str]) -> tuple[click.Command, list[str]] | None:
    """The command that is called, and the words after its name; None where another program is."""
    if words[0].rsplit("/", 1)[-1] == "wearvision":
        commands, rest = cli.main.commands | OF_THE_SERVICE, words[1:]
    elif words[1:3] == ["-m", "wearvision_training"]:
        commands, rest = workshop.commands, words[3:]
    else:
        return None
    assert rest[0] in commands, f"{rest[0]} is no command"
    return commands[rest[0]], rest[1:]


def test_every_section_has_its_promises() -> None:
    headings = [line.lstrip("# ") for line in README.splitlines() if re.match(r"#{1,2} [A-Za-z]", line)]
    assert {row[0] for row in ROWS} == set(headings)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[1])
def test_what_keeps_a_promise_is_there(row: list[str]) -> None:
    assert len(row) == 3
    named = re.findall(r"`([^`]+)`", row[2])
    assert named, "nothing keeps it"
    for one in named:
        file, _, test = one.partition("::")
        if not re.fullmatch(r"[\w/]+\.py", file):
            continue
        path = ROOT / "tests" / file
        assert path.is_file(), one
        assert not test or test in names_in(path), one


@pytest.mark.parametrize("words", LINES, ids=" ".join)
def test_commands_that_are_shown_exist(words: list[str]) -> None:
    found = command_of(words)
    if found is None:
        return
    command, rest = found
    named = [one for one in command.params if isinstance(one, click.Option)]
    options = {name for one in named for name in (*one.opts, *one.secondary_opts)}
    said = {word.strip("[]").partition("=")[0] for word in rest if word.startswith(("--", "[--"))}
    assert said - {"--help"} <= options


@pytest.mark.parametrize("words", [words for words in LINES if "pytest" in words], ids=" ".join)
def test_files_of_tests_that_are_shown_exist(words: list[str]) -> None:
    for word in words:
        if word.endswith(".py"):
            assert (ROOT / word).is_file(), word


def test_commands_are_found_in_both_files() -> None:
    """So that a change of their form cannot leave the tests above with nothing to do."""
    kinds = {words[0].rsplit("/", 1)[-1] for words in LINES if command_of(words)}
    assert kinds == {"wearvision", "python"}
    assert sum(command_of(words) is not None for words in shown(README)) > 20


def test_settings_that_are_named_exist() -> None:
    named = set(re.findall(rf"{ENV_PREFIX}[A-Z_]+[A-Z]", README + DEVELOPERS)) - BESIDES
    assert named
    assert named <= {ENV_PREFIX + name.upper() for name in Settings.model_fields}
