"""Commands of the school: draw a set, train, export, calibrate, evaluate."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import click

from wearvision_training.assessment.command import evaluate_model, nudges, refusal
from wearvision_training.benchmark import benchmark
from wearvision_training.families import Split
from wearvision_training.recipe import Engine
from wearvision_training.release.command import release
from wearvision_training.retrain.command import retrain_model
from wearvision_training.samples import samples
from wearvision_training.standard_pictures import standard_pictures

SPLITS = click.Choice(["train", "calibrate", "test"])


@click.command("draw")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder of the set.")
@click.option("--count", type=int, required=True, help="Number of pictures.")
@click.option("--split", type=SPLITS, default="train", show_default=True, help="Which design families.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--size", type=int, default=320, show_default=True, help="Side of a picture in pixels.")
@click.option("--regions/--no-regions", default=True, help="Keep the regions too (training needs them).")
@click.option("--photos/--pixels", default=False, help="Keep pictures as JPEG files (for sets to grade).")
@click.option("--engine", type=click.Choice(["sketch", "pathtrace"]), default="sketch", show_default=True)
@click.option("--samples", type=int, default=64, show_default=True, help="Paths per pixel, where they are traced.")
@click.option("--shard", type=click.IntRange(1), default=50, show_default=True, help="Pictures written at a time.")
@click.option("--workers", type=int, default=2, show_default=True)
@click.option("--device", "devices", multiple=True, default=("cpu",), help="Of path tracing: cpu, 0, 1, …; repeatable.")
@click.option("--time-limit", type=float, help="Seconds after which no further picture is begun.")
def draw_set(
    out: Path, count: int, split: Split, seed: int, size: int, regions: bool, photos: bool, engine: Engine,
    samples: int, shard: int, workers: int, devices: tuple[str, ...], time_limit: float | None,
) -> None:  # fmt: skip
    """Draws a set of labelled pictures; continues one that was stopped."""
    from wearvision_training.dataset import Plan, build

    plan = Plan(count, split, seed, size, regions, photos, engine, samples, shard)
    try:
        made = build(out, plan, workers=workers, devices=devices, time_limit=time_limit)
    except (ValueError, RuntimeError, OSError) as error:
        raise click.ClickException(str(error)) from error
    click.echo(f"{made} pictures made in {out}")


@click.command("train")
@click.option("--run", type=click.Path(path_type=Path), required=True, help="Folder for weights, figures and config.")
@click.option("--config", "recipe", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="A TOML file.")
@click.option("--set", "sets", multiple=True, help="Set to learn from, FOLDER or FOLDER:SHARE; may be repeated.")
@click.option("--limit", type=int, help="Only the first pictures of each --set.")
@click.option("--steps", type=int)
@click.option("--batch", type=int, help="Pictures a step, over all processes.")
@click.option("--rate", type=float, help="Peak learning rate.")
@click.option("--size", type=int, help="Side of the network's input, a multiple of 32.")
@click.option("--decoder", type=click.Choice(["full", "light"]))
@click.option("--heads", type=click.Choice(["plain", "shape", "ring"]))
@click.option("--start", help="Start weights: imagenet, none, or a file.")
@click.option("--seed", type=int)
@click.option("--device", help="cpu, cuda or auto.")
@click.option("--time-limit", type=float, help="Seconds of the whole run, over all its starts.")
@click.option("--leg", type=float, help="Seconds after which this start stops; the same command goes on.")
@click.option("--watch", help="Folder of a set to watch while training.")
@click.option("--photos", help="Folder of ordinary photographs, as examples of what is no part.")
@click.option("--with", "more", multiple=True, help="Any other key of the config, as KEY=VALUE in TOML.")
def train_network(
    run: Path, recipe: Path | None, sets: tuple[str, ...], limit: int | None, more: tuple[str, ...], **options: object
) -> None:
    """Trains a network, or goes on with a run that was stopped; under torchrun on several processes.

    Options override the config file, and that overrides the defaults.
    """
    import time
    import tomllib

    since = time.monotonic()
    from wearvision_training.train import Config, SetChoice, train

    changes = {name: value for name, value in options.items() if value is not None}
    try:
        config = Config.read(recipe) if recipe else Config()
        config = config.changed(tomllib.loads("\n".join(more))).changed(changes)
        if sets:
            config = replace(config, sets=tuple(replace(SetChoice.parse(one), limit=limit) for one in sets))
        train(config, run, since=since)
    except (ValueError, OSError) as error:
        raise click.UsageError(str(error)) from error


@click.command("export")
@click.option("--weights", type=click.Path(exists=True, path_type=Path), required=True, help="weights.safetensors.")
@click.option("--model", type=click.Path(path_type=Path), required=True, help="Model folder to write.")
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="For parity.")
@click.option(
    "--variant",
    type=click.Choice(["float32", "float16", "int8", "int8-weights"]),
    default="float32",
    show_default=True,
    help="How weights are kept; int8 also computes in whole numbers.",
)
@click.option("--pictures", "count", type=int, default=16, show_default=True, help="For parity; ranges take 8 times.")
def export_model(weights: Path, model: Path, folder: Path, variant: str, count: int) -> None:
    """Writes model.onnx and model.json, after checking that both runtimes agree; smaller variants on request."""
    from wearvision_training.dataset import PictureSet
    from wearvision_training.export import export
    from wearvision_training.school.weights import input_size, load_weights
    from wearvision_training.variants import shrink

    size = input_size(weights)
    pictures = PictureSet.load(folder, limit=8 * count).inputs(8 * count, size)
    checked = pictures[:count]
    difference = export(load_weights(weights), model, model_id=model.name, size=size, pictures=checked)
    click.echo(f"largest difference between the runtimes over {len(checked)} pictures: {difference:.1e}")
    if variant != "float32":
        click.echo(json.dumps(shrink(model, variant, pictures), indent=1))
    click.echo(f"model.onnx: {(model / 'model.onnx').stat().st_size / 1e6:.2f} MB")


@click.command("shrink")
@click.option("--model", type=click.Path(exists=True, path_type=Path), required=True, help="Model folder in float32.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Model folder to write.")
@click.option("--variant", type=click.Choice(["float16", "int8", "int8-weights"]), required=True)
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="To compare on.")
@click.option("--pictures", "count", type=int, default=128, show_default=True)
def shrink_model(model: Path, out: Path, variant: str, folder: Path, count: int) -> None:
    """Writes a smaller variant of a model beside it; the calibration is kept."""
    import shutil

    from wearvision_training.dataset import PictureSet
    from wearvision_training.variants import shrink

    size = int(json.loads((model / "model.json").read_text("utf-8"))["input"]["size"])
    pictures = PictureSet.load(folder, limit=count).inputs(count, size)
    shutil.copytree(model, out, dirs_exist_ok=True)
    shrink(out, variant, pictures)
    record = json.loads((out / "model.json").read_text("utf-8"))
    (out / "model.json").write_text(json.dumps(record | {"id": out.name}, indent=1), "utf-8")
    click.echo(json.dumps(record["reduced"], indent=1))


@click.command("refit-heads")
@click.option("--weights", type=click.Path(exists=True, path_type=Path), required=True, help="Changed in place.")
@click.option(
    "--model", type=click.Path(exists=True, path_type=Path), required=True, help="Model folder, exported anew."
)
@click.option("--set", "sets", multiple=True, required=True, help="FOLDER or FOLDER:VARIANTS to learn from.")
@click.option("--epochs", type=int, default=60, show_default=True)
@click.option("--opinions", is_flag=True, help="Learn part, view and grade again too, not the measures only.")
def refit_heads(weights: Path, model: Path, sets: tuple[str, ...], epochs: int, opinions: bool) -> None:
    """Trains the heads again on the squares that grading judges; needs no accelerator.

    FOLDER:3 also looks at each picture in three other framings and lights.
    """
    import torch

    from wearvision_training.dataset import PictureSet
    from wearvision_training.export import export
    from wearvision_training.heads import HeadConfig, pooled_features, train_heads, with_levels
    from wearvision_training.losses import Targets
    from wearvision_training.school.weights import input_size, load_weights, save_weights

    network, size = with_levels(load_weights(weights)), input_size(weights)
    features, targets = [], []
    for entry in sets:
        folder, _, variants = entry.partition(":")
        pictures = PictureSet.load(Path(folder))
        features.append(pooled_features(model, pictures, int(variants or 0)))
        targets += [Targets.of(list(pictures.truths))] * (1 + int(variants or 0))
    train_heads(network, torch.cat(features), Targets.joined(targets), HeadConfig(opinions, epochs))
    save_weights(network, weights, size)
    difference = export(network, model, model_id=model.name, size=size, pictures=pictures.inputs(16, size))
    click.echo(f"largest difference between the runtimes: {difference:.1e}")


@click.command("calibrate")
@click.option("--model", type=click.Path(exists=True, path_type=Path), required=True, help="Model folder.")
@click.option(
    "--set", "sets", type=click.Path(exists=True, path_type=Path), multiple=True, required=True, help="Calibration set."
)
@click.option("--workers", type=int, default=2, show_default=True)
def calibrate_model(model: Path, sets: tuple[Path, ...], workers: int) -> None:
    """Fits the intervals and the refusal on designs that were not trained on; writes them into model.json."""
    from wearvision_training.calibrate import calibrate
    from wearvision_training.dataset import PictureSet

    calibrate(model, *(PictureSet.load(folder) for folder in sets), workers=workers)


COMMANDS = (
    draw_set, train_network, export_model, refit_heads, shrink_model, calibrate_model, evaluate_model, refusal, nudges,
    benchmark, samples, standard_pictures, release, retrain_model,
)  # fmt: skip
