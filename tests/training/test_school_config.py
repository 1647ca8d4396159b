"""The config of a run: defaults, then file, then options; what is not known or does not fit is said."""

from __future__ import annotations

from pathlib import Path

import pytest

import wearvision_training
from wearvision_training.school.config import Config, SetChoice

RECIPES = [
    file
    for file in sorted((Path(wearvision_training.__file__).parent / "recipes").glob("*.toml"))
    if not file.stem.endswith(("-release", "-demo"))  # plans of a whole release, of a parcel of returns
]


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_every_recipe_is_read(path: Path) -> None:
    assert Config.read(path).steps > 0


def test_recipes_are_there() -> None:
    assert {path.stem for path in RECIPES} >= {"release", "small"}


def test_file_overrides_defaults_and_changes_override_the_file(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text('steps = 7\nrate = 1\n[augment]\njpeg = 0.0\n[[sets]]\nfolder = "d"\nlimit = 5\n', "utf-8")
    config = Config.read(file).changed({"steps": 9})
    assert (config.steps, config.rate, config.batch) == (9, 1.0, Config().batch)
    assert config.augment.jpeg == 0.0
    assert config.augment.shade == Config().augment.shade
    assert config.sets == (SetChoice("d", None, 5),)


def test_plain_form_gives_the_same_config_again() -> None:
    config = Config(sets=(SetChoice("a", 0.5), SetChoice("b", limit=3)), size=256)
    assert Config().changed(config.plain()) == config


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"stepz": 3}, "stepz"),
        ({"steps": "3"}, "type int"),
        ({"compiled": 1}, "type bool"),
        ({"size": 100}, "multiple of 32"),
        ({"decoder": "wide"}, "light"),
        ({"held_back": 1.0}, "shares"),
        ({"augment": {"fog": 1.0}}, "fog"),
        ({"batch": 1}, "batch"),
    ],
)
def test_what_does_not_fit_is_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Config().changed(changes)


@pytest.mark.parametrize(
    ("text", "choice"),
    [("a/b", SetChoice("a/b")), ("a/b:0.25", SetChoice("a/b", 0.25)), ("c:/d", SetChoice("c:/d"))],
)
def test_set_option_is_a_folder_with_or_without_a_share(text: str, choice: SetChoice) -> None:
    assert SetChoice.parse(text) == choice
