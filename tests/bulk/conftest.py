"""Small photos, and worker processes that end when they are told to."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from wearvision.bulk.job import GradeWork, Terms
from wearvision.standard import load_limits

ODD = '''
"""Work for worker processes: a word in an item says what becomes of the process."""
import os, pathlib, signal, sys, time
from dataclasses import dataclass


@dataclass(frozen=True)
class Odd:
    folder: str
    longest: float = 60.0

    def start(self):
        if (pathlib.Path(self.folder) / "never").exists():
            os._exit(3)
        return self.do

    def do(self, item):
        mark = pathlib.Path(self.folder) / item
        if item.startswith("die") or (item.startswith("once") and not mark.exists()):
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if item.startswith("raise"):
            raise KeyError(item)
        if item.startswith("print"):
            print("this must not get between the frames")
        if item.startswith("hang"):
            time.sleep(self.longest)
        if item.startswith("slow"):
            time.sleep(0.3)
        return item.upper()

    def failed(self, item, code, message):
        return code
'''


@pytest.fixture
def odd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., object]:
    """Makes work of a module that worker processes, too, can load."""
    home = tmp_path / "odd"
    home.mkdir()
    (home / "odd_work.py").write_text(ODD, "utf-8")
    monkeypatch.syspath_prepend(str(home))
    monkeypatch.setenv("PYTHONPATH", str(home) + os.pathsep + os.environ.get("PYTHONPATH", ""))
    sys.modules.pop("odd_work", None)
    import odd_work  # type: ignore[import-not-found]

    return lambda **other: odd_work.Odd(str(home), **other)


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory, drawn_photos) -> Path:
    """A folder of twelve small photos: four views, three times each under other names, and no two alike."""
    folder = tmp_path_factory.mktemp("small")
    for number in range(12):
        drawn = list(drawn_photos.values())[number % len(drawn_photos)]
        picture = Image.fromarray(drawn.image).resize((320, 320))
        picture.save(folder / f"{number:02d}.jpg", quality=80 + number)
    return folder


@pytest.fixture
def photos(small: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may spoil."""
    return Path(shutil.copytree(small, tmp_path / "photos"))


@pytest.fixture
def work(model_folder: Path) -> GradeWork:
    """Grading to lines, as ``grade --out`` does it."""
    terms = Terms(load_limits(), str(model_folder))
    return GradeWork(terms, terms.id)
