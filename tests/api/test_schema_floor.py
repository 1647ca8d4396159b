"""Programs of two ages on one database: who migrates, who waits, who refuses; and that migrations only add."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from alembic.script import ScriptDirectory
from click.testing import CliRunner
from sqlalchemy import Engine, inspect, text

from wearvision.errors import SetupError
from wearvision_api.commands import COMMANDS
from wearvision_api.settings import Settings
from wearvision_api.store import schema
from wearvision_api.store.engine import migrate, migration_config, open_engine

SINCE = "0006"
"""From here on programs may be renewed one by one."""


@pytest.fixture
def empty(bare_settings: Settings) -> Iterator[Engine]:
    engine = open_engine(bare_settings.database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def bare_settings(settings: Settings) -> Settings:
    """Whatever tables the others begin with, here there are none."""
    (settings.data / "wearvision.sqlite").unlink(missing_ok=True)
    return settings


def leap(engine: Engine, to: str, floor: str | None) -> None:
    """As a newer program leaves the tables."""
    with engine.begin() as connection:
        connection.execute(text("update alembic_version set version_num = :to"), {"to": to})
        if floor is None:
            connection.execute(text("drop table schema_floor"))
        else:
            connection.execute(text("update schema_floor set revision = :floor"), {"floor": floor})


def test_process_that_may_not_migrate_says_what_to_run(empty: Engine) -> None:
    with pytest.raises(SetupError, match=r"has no tables.*wearvision migrate"):
        schema.settle(empty, may_migrate=False)
    migrate(empty, "0005")
    with pytest.raises(SetupError, match=r"is at 0005.*wearvision migrate"):
        schema.settle(empty, may_migrate=False)
    schema.settle(empty, may_migrate=True)
    assert schema.revision(empty) == schema.newest(empty)
    schema.settle(empty, may_migrate=False)


@pytest.mark.parametrize(("floor", "fits"), [("0006", True), ("0008", True), ("9001", False), (None, False)])
def test_older_program_works_on_newer_tables_only_above_the_floor(empty: Engine, floor: str | None, fits: bool) -> None:
    migrate(empty)
    leap(empty, "9001", floor)
    if fits:
        schema.settle(empty, may_migrate=True)
        assert schema.revision(empty) == "9001", "an older program changes nothing"
    else:
        with pytest.raises(SetupError, match=r"newer program, and no longer fits"):
            schema.settle(empty, may_migrate=True)
    with pytest.raises(SetupError, match=r"use that one"):
        schema.demand_known(empty)


@pytest.mark.postgres
def test_migrate_command_tells_before_and_after(new_postgres: Callable[[], str]) -> None:
    database = new_postgres()
    first = CliRunner().invoke(COMMANDS["migrate"], ["--database", database])
    again = CliRunner().invoke(COMMANDS["migrate"], ["--database", database])
    assert (first.exit_code, again.exit_code) == (0, 0), first.output
    assert "before: none" in first.output
    newest = first.output.split("are at ")[1][:4]
    assert f"are at {newest}; before: {newest}." in again.output


def test_each_migration_only_adds_unless_it_raises_the_floor(empty: Engine) -> None:
    """The rule of rolling updates in ``store/schema.py``, held against what each migration really leaves."""
    script = ScriptDirectory.from_config(migration_config(empty))
    steps = [one.revision for one in reversed(list(script.walk_revisions()))]
    migrate(empty, SINCE)
    before, least = shape(empty), None
    for step in steps[steps.index(SINCE) + 1 :]:
        migrate(empty, step)
        after, floor = shape(empty), schema.floor(empty)
        if least is None or floor == least:
            assert list(complaints(before, after)) == [], step
        before, least = after, floor


def shape(engine: Engine) -> dict[str, dict[str, Any]]:
    """Columns of every table by name."""
    found = inspect(engine)
    return {name: {one["name"]: one for one in found.get_columns(name)} for name in found.get_table_names()}


def complaints(before: dict[str, dict[str, Any]], after: dict[str, dict[str, Any]]) -> Iterator[str]:
    """What a program that knows ``before`` only would stumble over."""
    for table, columns in before.items():
        if table not in after:
            yield f"{table} is gone"
            continue
        for name, column in columns.items():
            now = after[table].get(name)
            if now is None:
                yield f"{table}.{name} is gone"
            elif str(now["type"]) != str(column["type"]) or (column["nullable"] and not now["nullable"]):
                yield f"{table}.{name} was tightened"
        for name in after[table].keys() - columns.keys():
            column = after[table][name]
            if not column["nullable"] and column["default"] is None:
                yield f"{table}.{name} must be filled in"


def test_the_rule_finds_what_an_older_program_would_stumble_over() -> None:
    plain = {"nullable": True, "default": None, "type": "TEXT"}
    before = {"a": {"kept": plain, "gone": plain, "tight": plain}, "b": {}}
    after = {"a": {"kept": plain, "tight": plain | {"nullable": False}, "new": plain | {"nullable": False}}}
    assert sorted(complaints(before, after)) == [
        "a.gone is gone", "a.new must be filled in", "a.tight was tightened", "b is gone",
    ]  # fmt: skip
