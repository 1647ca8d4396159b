"""Which room may import which, read from the source itself."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import wearvision

ROOT = Path(wearvision.__file__).parent
FILES = sorted(ROOT.rglob("*.py"))
BASE = {
    "numpy",
    "cv2",
    "PIL",
    "pillow_heif",
    "onnxruntime",
    "click",
    "rich",
    "reportlab",
    "wearvision",
    "wearvision_models",
}
MAY_PRINT = {"cli.py", "cli_grade.py", "console.py", "console_bulk.py"}
BULK = {"dask", "distributed", "fsspec", "pyarrow"}
"""The extra ``bulk``; only these files load it, and nothing loads them unless many machines or stores are asked for."""
MAY_SPREAD = {"remote.py", "parts.py", "table.py", "spreading.py", "dask_worker.py"}


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module)
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_library_imports_the_base_install_only(path: Path) -> None:
    import sys

    roots = {name.partition(".")[0] for name in imported(path)}
    allowed = BASE | ({"wearvision_api"} if path.name == "cli.py" else set())  # inside the command, if it is installed
    if path.parent.name == "bulk" and path.name in MAY_SPREAD:
        allowed |= BULK
    assert roots <= allowed | set(sys.stdlib_module_names)


@pytest.mark.parametrize("path", [file for file in FILES if file.name not in MAY_PRINT], ids=lambda path: path.name)
def test_nothing_below_the_command_line_prints(path: Path) -> None:
    calls = [node.func for node in ast.walk(tree(path)) if isinstance(node, ast.Call)]
    assert not [call for call in calls if isinstance(call, ast.Name) and call.id == "print"]
    assert not {name for name in imported(path) if name.partition(".")[0] in ("click", "rich")}


@pytest.mark.parametrize("path", sorted((ROOT / "measure").glob("*.py")), ids=lambda path: path.name)
def test_measures_know_no_part(path: Path) -> None:
    rooms = {name for name in imported(path) if name.startswith("wearvision.")}
    allowed = ("wearvision.measure", "wearvision.errors", "wearvision.scale_card", "wearvision.sighting")
    assert all(name.startswith(allowed) for name in rooms)


def test_judge_knows_no_picture() -> None:
    names = imported(ROOT / "judge.py")
    assert not names & {"cv2", "PIL", "wearvision.photo", "wearvision.look", "wearvision.network"}


def test_the_walk_sees_the_imports_it_is_to_forbid() -> None:
    assert "onnxruntime" in imported(ROOT / "graph.py")
    assert "torch" in imported(ROOT.parent / "training" / "network.py")
