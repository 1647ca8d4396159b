"""The command ``teaching-curve``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click


@click.command("teaching-curve")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="What is done lies here; the same command goes on.",
)
@click.option("--model", default=None, help="Base: folder or released model; by default the released one.")
@click.option(
    "--photos",
    "count",
    type=click.IntRange(40),
    default=2100,
    show_default=True,
    help="The company's photos; three in five are to label.",
)
@click.option(
    "--at",
    "sizes",
    type=int,
    multiple=True,
    default=(0, 200, 600, 1260),
    show_default=True,
    help="Numbers of labels; a number beyond the photos to label stands for all of them.",
)
@click.option(
    "--seed",
    "seeds",
    type=int,
    multiple=True,
    default=(1, 2, 3, 4, 5),
    show_default=True,
    help="Of labeller, orders and training.",
)
@click.option(
    "--replay", type=click.IntRange(20), default=500, show_default=True, help="Drawn pictures that keep what is known."
)
@click.option(
    "--goal", type=click.FloatRange(0, 1), default=0.95, show_default=True, help="Macro-F1 that is to be reached."
)
@click.option("--device", default="auto", show_default=True, help="Where networks learn: auto, cpu or cuda.")
@click.option("--workers", type=click.IntRange(1), default=2, show_default=True)
def teaching_curve(
    out: Path,
    model: str | None,
    count: int,
    sizes: tuple[int, ...],
    seeds: tuple[int, ...],
    replay: int,
    goal: float,
    device: str,
    workers: int,
) -> None:
    """Says what labels are worth to a simulated company, in the order of the queue and by lot.

    Its designs and its phone are none that the model learned from. One person labels and judges wear by eye; at each
    number of labels a network is tuned from the base, and held-out photos of other machines are graded against the
    truth itself. Wants an accelerator: on processors a tuning takes hours. Several calls with a seed each may work in
    one folder at once, after one with --at 0 has made what they share.
    """
    import torch

    from wearvision.network import ModelFolder
    from wearvision_training.company.curve import run
    from wearvision_training.company.made import open_company

    where = torch.device(
        "cuda" if device == "auto" and torch.cuda.is_available() else "cpu" if device == "auto" else device
    )
    company = open_company(out, ModelFolder.open(model).path, count, replay, where, workers)
    wanted = sorted({min(size, len(company.pool)) for size in sizes})
    (out / "runs").mkdir(exist_ok=True)
    rows = [row for seed in seeds for row in run(company, seed, wanted, out / "runs", click.echo)]
    click.echo(table(rows, wanted, seeds, goal))


def table(rows: Sequence[Mapping[str, Any]], sizes: Sequence[int], seeds: Sequence[int], goal: float) -> str:
    """What was found, for a person."""
    from wearvision_training.company.gains import ORDERS, between, gain, labels_for

    lines = []
    for order in ORDERS:
        lines.append(f"{order}:")
        for size in sizes:
            own = [row["clear"] for row in rows if row["order"] == order and row["labels"] == size]
            each = [one["macro_f1"]["value"] for one in own]
            missed = sum(one["missed"]["hits"] for one in own) / len(own)
            line = f"  {size:5d} labels: macro-F1 {sum(each) / len(each):.3f} ({min(each):.3f} to {max(each):.3f}), "
            line += f"missed {missed:.1f} of {own[0]['missed']['of']}, refused {_mean(own, 'refused'):.3f}, "
            line += f"truth among the possible grades {_mean(own, 'in_set'):.3f}, of them "
            line += f"{sum(one['set_size'] for one in own) / len(own):.2f}"
            if size:
                line += f", gain {_told(gain(rows, order, size))}"
            lines.append(line)
        reached = [labels_for(rows, order, seed, goal) for seed in seeds]
        told = ", ".join("never" if one is None else f"{one:.0f}" for one in reached)
        lines.append(f"  labels to {goal}: {told}")
    if len(sizes) > 1:
        lines.append(f"queue less lot, mean macro-F1 over the labels: {_told(between(rows, sizes))}")
    return "\n".join(lines)


def _mean(some: Sequence[Mapping[str, Any]], name: str) -> float:
    return float(sum(one[name]["value"] for one in some) / len(some))


def _told(found: Mapping[str, Any]) -> str:
    return f"{found['mean']:+.4f} [{found['low']:+.4f}, {found['high']:+.4f}]"
