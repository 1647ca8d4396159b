"""What finding the part costs, step by step, in processor time beside a bare decoding of the same photo."""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import click
import cv2
import numpy as np

from wearvision.framing import square_crop, whole
from wearvision.look import look
from wearvision.network import ModelFolder, Network
from wearvision.photo import read_photo


def look_costs(model: Path, photo: bytes, *, repeats: int) -> dict[str, float]:
    """Least processor time of each step over some repeats, in milliseconds, all on one thread.

    Args:
        model: The model folder.
        photo: A JPEG file.
        repeats: Of each step, after one that is not counted.

    Returns:
        ``decode`` is the baseline; ``look`` the whole way from the working image to what was seen, of which the others
        are pieces: ``find`` only where the model has a finder.
    """
    cv2.setNumThreads(1)
    network = Network(ModelFolder.open(model), threads=1)
    image = read_photo(photo).image
    codes = np.frombuffer(photo, np.uint8)
    square = square_crop(image, whole(image.shape), network.size)
    seen = network(square)
    steps: dict[str, Callable[[], object]] = {
        "decode": lambda: cv2.imdecode(codes, cv2.IMREAD_COLOR),
        "look": lambda: look(network, image),
        "find": lambda: network.find(image),
        "cut a square": lambda: square_crop(image, whole(image.shape), network.size),
        "one run of the network": lambda: network(square),
        "one region raised": lambda: cv2.resize(seen.regions["part"][::2, ::2], (network.size, network.size)),
    }
    return {name: _least(step, repeats) for name, step in steps.items()}


def _least(step: Callable[[], object], repeats: int) -> float:
    spent = []
    for _ in range(repeats + 1):
        started = time.thread_time()
        step()
        spent.append(time.thread_time() - started)
    return 1e3 * min(spent[1:])


@click.command("look-cost")
@click.option("--model", type=click.Path(exists=True, file_okay=False, path_type=Path), required=True)
@click.option("--part", default="flame_cell", show_default=True, help="What the drawn 12-megapixel photo shows.")
@click.option("--repeats", type=click.IntRange(1), default=15, show_default=True)
def look_cost(model: Path, part: str, repeats: int) -> None:
    """Prints what finding the part in a 12-megapixel photo costs, beside a bare decoding."""
    from wearvision_training.timing import large_photo

    load = os.getloadavg()[0]
    costs = look_costs(model, large_photo(part, 0), repeats=repeats)
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "opencv-python-headless", "onnxruntime"))
    click.echo(f"{model.name}; {os.cpu_count()} cores ({platform.machine()}), load {load:.1f}; {packages}")
    click.echo("least processor time of one thread, and over that of a bare full-size decoding:")
    for name, spent in costs.items():
        click.echo(f"  {name:24s} {spent:7.1f} ms  {spent / costs['decode']:5.2f}")
