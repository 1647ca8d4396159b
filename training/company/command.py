"""The command ``teaching-curve``."""

from __future__ import annotations

import json
from pathlib import Path

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
    default=(0, 50, 100, 200, 400, 800),
    show_default=True,
    help="Numbers of labels.",
)
@click.option("--seeds", type=click.IntRange(1), default=5, show_default=True)
@click.option(
    "--replay", type=click.IntRange(20), default=500, show_default=True, help="Drawn pictures that keep what is known."
)
@click.option(
    "--goal", type=click.FloatRange(0, 1), default=0.95, show_default=True, help="Macro-F1 that is to be reached."
)
@click.option("--device", default="auto", show_default=True, help="Where heads learn: auto, cpu or cuda.")
@click.option("--workers", type=click.IntRange(1), default=2, show_default=True)
def teaching_curve(
    out: Path,
    model: str | None,
    count: int,
    sizes: tuple[int, ...],
    seeds: int,
    replay: int,
    goal: float,
    device: str,
    workers: int,
) -> None:
    """Says what labels are worth to a simulated company, in the order of the queue and by lot.

    Its designs and its phone are none that the model learned from. One person labels, one answer about a mode in thirty
    a grade off; heads are trained again at each number of labels, as a retraining does it, and held-out photos of other
    machines are graded against the truth itself.
    """
    import torch

    from wearvision.network import ModelFolder
    from wearvision_training.company.curve import ORDERS, between, curve, labels_for
    from wearvision_training.company.made import open_company

    where = torch.device(
        "cuda" if device == "auto" and torch.cuda.is_available() else "cpu" if device == "auto" else device
    )
    company = open_company(out, ModelFolder.open(model).path, count, replay, where, workers)
    wanted = sorted({*sizes} & {*range(len(company.of_split("train")) + 1)})
    rows = curve(company, wanted, range(1, seeds + 1), out / "runs", click.echo)
    (out / "curve.json").write_text(json.dumps(rows), "utf-8")
    for order in ORDERS:
        click.echo(f"{order}:")
        for size in wanted:
            own = [row["clear"] for row in rows if row["order"] == order and row["labels"] == size]
            each = [one["macro_f1"]["value"] for one in own]
            missed = [one["missed"]["hits"] for one in own]
            click.echo(
                f"  {size:5d} labels: macro-F1 {sum(each) / len(each):.3f} ({min(each):.3f} to {max(each):.3f}), "
                f"missed {sum(missed) / len(missed):.1f} of {own[0]['missed']['of']}, "
                f"possible grades {sum(one['set_size'] for one in own) / len(own):.2f}"
            )
        reached = [labels_for(rows, order, seed, goal) for seed in range(1, seeds + 1)]
        told = ", ".join("never" if one is None else f"{one:.0f}" for one in reached)
        click.echo(f"  labels to {goal}: {told}")
    gap = between(rows, wanted)
    click.echo(
        f"queue less lot, mean macro-F1 over the labels: {gap['mean']:+.4f} [{gap['low']:+.4f}, {gap['high']:+.4f}]"
    )
