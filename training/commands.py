"""Commands of the school: draw a set, train, export, calibrate, evaluate."""

from __future__ import annotations

import json
from pathlib import Path

import click

from wearvision_training.benchmark import benchmark
from wearvision_training.families import Split
from wearvision_training.samples import samples

SPLITS = click.Choice(["train", "calibrate", "test"])


@click.command("draw")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder of the set.")
@click.option("--count", type=int, required=True, help="Number of pictures.")
@click.option("--split", type=SPLITS, default="train", show_default=True, help="Which design families.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--size", type=int, default=320, show_default=True, help="Side of a picture in pixels.")
@click.option("--regions/--no-regions", default=True, help="Keep the regions too (training needs them).")
@click.option("--workers", type=int, default=2, show_default=True)
def draw_set(out: Path, count: int, split: Split, seed: int, size: int, regions: bool, workers: int) -> None:
    """Draws a set of labelled pictures; continues one that was stopped."""
    from wearvision_training.dataset import Plan, build

    build(out, Plan(count, split, seed, size, regions), workers=workers)


@click.command("train")
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="A drawn set.")
@click.option("--run", type=click.Path(path_type=Path), required=True, help="Folder for weights, losses and config.")
@click.option("--steps", type=int, default=2000, show_default=True)
@click.option("--batch", type=int, default=64, show_default=True)
@click.option("--rate", type=float, default=2e-3, show_default=True, help="Peak learning rate.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--device", default="cpu", show_default=True)
@click.option("--pretrained/--from-nothing", default=True, help="Start the backbone from ImageNet.")
def train_network(
    folder: Path, run: Path, steps: int, batch: int, rate: float, seed: int, device: str, pretrained: bool
) -> None:
    """Trains a network on a set."""
    from wearvision_training.dataset import PictureSet
    from wearvision_training.train import Config, train

    config = Config(steps=steps, batch=batch, rate=rate, seed=seed, device=device, pretrained=pretrained)
    train(PictureSet.load(folder), config, run)


@click.command("export")
@click.option("--weights", type=click.Path(exists=True, path_type=Path), required=True, help="weights.safetensors.")
@click.option("--model", type=click.Path(path_type=Path), required=True, help="Model folder to write.")
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="For parity.")
def export_model(weights: Path, model: Path, folder: Path) -> None:
    """Writes model.onnx and model.json, after checking that both runtimes agree."""
    from wearvision_training.dataset import PictureSet
    from wearvision_training.export import export
    from wearvision_training.train import load_weights

    pictures = PictureSet.load(folder, limit=16).inputs(16, 320)
    difference = export(load_weights(weights), model, model_id=model.name, size=pictures.shape[1], pictures=pictures)
    click.echo(f"largest difference between the runtimes over {len(pictures)} pictures: {difference:.1e}")


@click.command("refit-heads")
@click.option("--weights", type=click.Path(exists=True, path_type=Path), required=True, help="Changed in place.")
@click.option(
    "--model", type=click.Path(exists=True, path_type=Path), required=True, help="Model folder, exported anew."
)
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="Set to learn from.")
@click.option("--epochs", type=int, default=60, show_default=True)
def refit_heads(weights: Path, model: Path, folder: Path, epochs: int) -> None:
    """Trains the measure heads again on the squares that grading judges; needs no accelerator."""
    from safetensors.torch import save_file

    from wearvision_training.dataset import PictureSet
    from wearvision_training.export import export
    from wearvision_training.heads import HeadConfig, pooled_features, train_heads
    from wearvision_training.losses import Targets
    from wearvision_training.train import load_weights

    network, pictures = load_weights(weights), PictureSet.load(folder)
    features = pooled_features(model, pictures)
    train_heads(network, features, Targets.of(list(pictures.truths)), HeadConfig(epochs=epochs))
    save_file(network.state_dict(), weights)
    difference = export(network, model, model_id=model.name, size=320, pictures=pictures.inputs(16, 320))
    click.echo(f"largest difference between the runtimes: {difference:.1e}")


@click.command("calibrate")
@click.option("--model", type=click.Path(exists=True, path_type=Path), required=True, help="Model folder.")
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="Calibration set.")
@click.option("--workers", type=int, default=2, show_default=True)
def calibrate_model(model: Path, folder: Path, workers: int) -> None:
    """Fits the intervals and the refusal on designs that were not trained on; writes them into model.json."""
    from wearvision_training.calibrate import calibrate
    from wearvision_training.dataset import PictureSet

    calibrate(model, PictureSet.load(folder), workers=workers)


@click.command("evaluate")
@click.option("--model", type=click.Path(exists=True, path_type=Path), required=True, help="Model folder.")
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="Labelled set.")
@click.option("--json", "out", type=click.Path(path_type=Path), help="Also write the figures here.")
@click.option("--workers", type=int, default=2, show_default=True)
def evaluate_model(model: Path, folder: Path, out: Path | None, workers: int) -> None:
    """Grades a labelled set as a user would and prints how often it was right."""
    from wearvision_training.dataset import PictureSet
    from wearvision_training.evaluate import answer, evaluate, table

    figures = evaluate(answer(model, PictureSet.load(folder), workers=workers))
    if out is not None:
        out.write_text(json.dumps(figures, indent=1), "utf-8")
    click.echo(table(figures))


COMMANDS = (draw_set, train_network, export_model, refit_heads, calibrate_model, evaluate_model, benchmark, samples)
