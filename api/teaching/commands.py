"""The command that trains from a terminal; the service may be running, or not."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.opened import opened, person
from wearvision_api.options import FOLDER, option, settings_from
from wearvision_api.store.teaching_tables import TrainingRow
from wearvision_api.teaching import trainings
from wearvision_api.teaching.training_watch import Watch

EVERY_S = 1.0
EXIT = {"done": 0, "stopped": 3}
"""By state; what failed ends with 1."""
TABLE_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command()
@click.option("--set", "data_set", required=True, help="Name of the frozen set to learn from.")
@click.option("--base", default="", help="Released or site's model to start from; empty: the one in use.")
@click.option(
    "--stage", type=click.Choice(["heads", "more"]), default="heads", show_default=True, help="What to train."
)
@click.option("--minutes", type=click.IntRange(1), help="What the stage more may take at most.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True)
@click.option("--account", default="", help="Name of the account that asks for it; empty: this machine's own.")
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("limits", TABLE_FILE)
@option("gate", TABLE_FILE)
@option("model")
def retrain(data_set: str, base: str, stage: str, minutes: int | None, seed: int, account: str, **given: Any) -> None:
    """Trains a new model on a frozen set, and follows it to its end. The service may be running.

    The model is taken in beside the others; nothing grades with it until it is released. Ctrl-C asks the training to
    stop; on its page it can go on. Exit status 0 where it is done, 3 where it was stopped, 1 where it failed.
    """
    with opened(settings_from(given)) as house:
        who = person(house, account, "teaching:write")
        with house.session() as session:
            row = trainings.start(house, session, who, data_set, base=base, stage=stage, minutes=minutes, seed=seed)
            session.commit()
        with Watch(house).running():
            row = follow(house, who, row.id, lambda line: click.echo(line, err=True))
    if row.state == "done":
        click.echo(f"{row.model_id} is taken in; compare and release it at /teaching/models/{row.model_id}.")
    else:
        click.echo(row.said, err=True)
    sys.exit(EXIT.get(row.state, 1))


def follow(house: House, who: Caller, training_id: str, say: Callable[[str], None]) -> TrainingRow:
    """Waits for a training's end and tells each step; an interruption (Ctrl-C) asks it to stop, once.

    Args:
        house: Open; somebody looks after trainings.
        who: Who stops it.
        training_id: Of the training.
        say: Is told each new line.

    Returns:
        The training as it ended.
    """
    told = ""
    while True:
        try:
            with house.session(writes=False) as session:
                row = trainings.find(session, training_id)
            line = words(row)
            if line and line != told:
                say(line)
                told = line
            if row.state in trainings.ENDED:
                return row
            time.sleep(EVERY_S)
        except KeyboardInterrupt:
            say("It is asked to stop; it ends at its next step.")
            with house.session() as session:
                row = trainings.find(session, training_id)
                if row.state not in trainings.ENDED:
                    trainings.stop(session, who, row)
                    session.commit()


def words(row: TrainingRow) -> str:
    """How far a training is, in one line."""
    if row.state == "waiting":
        return "It waits until the machine has no other training at work."
    done, of, stage = (row.progress.get(key) for key in ("done", "of", "stage"))
    step = f"{stage}: {done} of {of}" if of else str(stage or "")
    said = str(row.progress.get("say") or "")
    return f"{step}  {said}".strip()


TRAINING_COMMANDS: dict[str, click.Command] = {"retrain": retrain}
