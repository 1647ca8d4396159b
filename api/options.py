"""Settings as options of a command: each with the setting's own description and environment variable."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click
from pydantic import ValidationError

from wearvision_api.settings import ENV_PREFIX, Settings

Command = TypeVar("Command", bound=Callable[..., Any])
FOLDER: click.Path = click.Path(path_type=Path, file_okay=False)


def settings_from(given: dict[str, Any]) -> Settings:
    """Settings from options over environment over defaults.

    Raises:
        click.UsageError: a value is wrong or unsafe, in one line.
    """
    try:
        return Settings(**{name: value for name, value in given.items() if value is not None})
    except ValidationError as error:
        rows = [f"{'.'.join(map(str, row['loc']))}: {row['msg']}".removeprefix(": ") for row in error.errors()]
        raise click.UsageError("; ".join(rows).replace("Value error, ", "")) from error


def option(name: str, kind: Any = None) -> Callable[[Command], Command]:
    """The option of a setting.

    Args:
        name: Of the setting.
        kind: What click makes of the text; None: what the setting says.
    """
    field = Settings.model_fields[name]
    text = f"{field.description} [{ENV_PREFIX}{name.upper()}]"
    flag = f"--{name.replace('_', '-')}"
    if field.annotation is bool:
        return click.option(f"{flag}/--no-{flag[2:]}", name, default=None, help=text)
    return click.option(flag, name, type=kind or field.annotation, default=None, help=text)
