"""Times one run of the grader on a large photo, against a bare decoding and against the plain way in PyTorch.

Everything is measured here and now, on the machine at hand; nothing is remembered from another run. Contenders
take turns, so that a busy moment hits all of them alike, and each keeps to one thread.
"""

from __future__ import annotations

import io
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.grade import Grader
from wearvision.report import Report
from wearvision.steps import recorded
from wearvision_training.studio import draw, sample_recipe

PHOTO_SIZE = (3024, 4032)
"""Rows and columns of a common 12-megapixel photo."""
DRAWN_PX = 1000
QUALITY = 92
SENSOR_NOISE, FINE_GRAIN = 3.0, 6.0
"""Deviations in codes: of single pixels, and of the surfaces' fine texture that an enlarged drawing lacks. With both
the file takes 3 to 5 MB, as from a phone; a smaller one would be decoded faster than real ones are."""
MOST_DECODES = 1.0
LEAST_FASTER = 3.0
GOAL_COLD_S = 0.7
GOAL_PEAK_MB = 300
PACKAGES = ("numpy", "opencv-python-headless", "pillow", "onnxruntime", "torch", "torchvision", "timm")

_PROBE = """
import re, resource, sys
from pathlib import Path

def peak():
    # The kernel lends a child its parent's ru_maxrss; VmHWM is the child's own.
    try:
        return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

from wearvision import Grader
grader = Grader(sys.argv[1])
loaded = peak()
grader.grade(sys.argv[2])
print(loaded, peak())
"""


@dataclass(frozen=True, slots=True)
class Timing:
    """Milliseconds of one contender: median, and the quarter and three-quarter points of its repeats."""

    median: float
    low: float
    high: float

    @classmethod
    def of(cls, seconds: list[float]) -> Timing:
        """From the seconds of at least two repeats."""
        low, middle, high = np.quantile(np.asarray(seconds) * 1e3, (0.25, 0.5, 0.75))
        return cls(float(middle), float(low), float(high))

    def __str__(self) -> str:
        """As a table shows it."""
        return f"{self.median:8.1f} ms  ({self.low:.1f} to {self.high:.1f})"


def large_photo(part: str, seed: int) -> bytes:
    """A JPEG of 12 megapixels: a drawn part enlarged, on a grained bench, under sensor noise.

    Args:
        part: Registered part key.
        seed: All chance comes from it.
    """
    rng = np.random.default_rng(seed)
    drawn = draw(sample_recipe(part, rng), DRAWN_PX).image
    height, width = PHOTO_SIZE
    photo = _grain(rng) + drawn[-8:].reshape(-1, 3).mean(0, dtype=np.float32)
    left = (width - height) // 2
    photo[:, left : left + height] = cv2.resize(drawn, (height, height), interpolation=cv2.INTER_CUBIC)
    photo += FINE_GRAIN * rng.standard_normal((height, width, 1), dtype=np.float32)
    photo += SENSOR_NOISE * rng.standard_normal(photo.shape, dtype=np.float32)
    codes = np.clip(np.rint(photo), 0, 255).astype(np.uint8)
    done, jpeg = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise RuntimeError("the JPEG could not be written")
    return jpeg.tobytes()


def _grain(rng: np.random.Generator) -> NDArray[np.float32]:
    """Grey texture of several sizes about 0, (H, W, 3)."""
    height, width = PHOTO_SIZE
    grain = np.zeros(PHOTO_SIZE, np.float32)
    for step, depth in ((4, 5.0), (24, 6.0), (160, 8.0)):
        coarse = rng.standard_normal((height // step, width // step), dtype=np.float32)
        grain += depth * np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR))
    return np.repeat(grain[..., None], 3, axis=2)


def judged_photo(grader: Grader, part: str, *, tries: int = 20) -> tuple[bytes, Report]:
    """The first large photo that is graded all the way: one that is refused costs less and would flatter.

    Raises:
        ValueError: none of the tried ones is.
    """
    for seed in range(tries):
        photo = large_photo(part, seed)
        report = grader.grade(photo)
        if report.usable and report.part["name"] == part:
            return photo, report
    raise ValueError(f"None of {tries} drawn photos of {part} was graded; the model may not be trained.")


def eager(weights: Path) -> Callable[[bytes], object]:
    """The plain way: Pillow decodes in full, torchvision scales and normalises, PyTorch runs the same network."""
    import torch
    from PIL import Image
    from torchvision import transforms

    from wearvision_training.network import DEVIATION, MEAN
    from wearvision_training.train import load_weights

    torch.set_num_threads(1)
    network = load_weights(weights)
    prepare = transforms.Compose(
        [
            transforms.Resize((320, 320)),
            transforms.ToTensor(),
            transforms.Normalize([MEAN / 255] * 3, [DEVIATION / 255] * 3),
        ]
    )

    def run(photo: bytes) -> object:
        with torch.inference_mode():
            return network(prepare(Image.open(io.BytesIO(photo)).convert("RGB"))[None])

    return run


def in_turns(contenders: Mapping[str, Callable[[], object]], repeats: int) -> dict[str, list[float]]:
    """Seconds of each contender's repeats, taken in turns after one unmeasured round."""
    seconds: dict[str, list[float]] = {name: [] for name in contenders}
    for turn in range(repeats + 1):
        for name, run in contenders.items():
            started = time.perf_counter()
            run()
            if turn:
                seconds[name].append(time.perf_counter() - started)
    return seconds


def peak_memory_mib(model: Path, photo: Path) -> tuple[float, float]:
    """Peak memory of a fresh process: once the model is loaded, and after it graded one photo."""
    done = subprocess.run(
        [sys.executable, "-c", _PROBE, str(model), str(photo)], check=True, capture_output=True, text=True
    )
    loaded, graded = (int(number) / 1024 for number in done.stdout.split())
    return loaded, graded


def cold_starts(model: Path, photo: Path, repeats: int) -> list[float]:
    """Seconds of the whole command ``wearvision grade`` on one photo, each in a fresh process."""
    command = [sys.executable, "-m", "wearvision.cli", "grade", "--model", str(model), str(photo)]
    marks = [time.perf_counter()]
    for _ in range(repeats):
        subprocess.run(command, check=True, capture_output=True)
        marks.append(time.perf_counter())
    return [after - before for before, after in pairwise(marks)]


def install_mib(environment: Path) -> float:
    """Space that the packages of a virtual environment take on disk, as ``du`` counts it.

    Raises:
        ValueError: there is no site-packages folder in it.
    """
    folders = sorted(environment.glob("lib/python*/site-packages")) or sorted(environment.glob("Lib/site-packages"))
    if not folders:
        raise ValueError(f"There is no site-packages folder in {environment}.")
    files = (os.lstat(Path(folder, name)) for folder, _, names in os.walk(folders[0]) for name in names)
    return sum(getattr(status, "st_blocks", -(-status.st_size // 512)) * 512 for status in files) / 2**20


def measure(model: Path, part: str, *, weights: Path, repeats: int, starts: int) -> dict[str, Any]:
    """All figures of one run; times in milliseconds, sizes in MiB."""
    cv2.setNumThreads(1)
    grader = Grader(model, threads=1)
    photo, first = judged_photo(grader, part)
    codes, plain = np.frombuffer(photo, np.uint8), eager(weights)
    steps: list[Mapping[str, float]] = []
    finer: list[Mapping[str, float]] = []

    def graded() -> None:
        with recorded() as spent:
            steps.append(grader.grade(photo).milliseconds)
        finer.append(spent)

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "photo.jpg")
        file.write_bytes(photo)
        memory = peak_memory_mib(model, file)
        cold = cold_starts(model, file, starts)
    seconds = in_turns(
        {
            "grade": graded,
            "decode": lambda: cv2.imdecode(codes, cv2.IMREAD_COLOR),
            "eager": lambda: plain(photo),
        },
        repeats,
    )
    times = {name: Timing.of(values) for name, values in seconds.items()}
    return {
        "machine": {
            "processor": platform.machine(),
            "cores": os.cpu_count(),
            "python": platform.python_version(),
            "load": os.getloadavg()[0],
        },
        "versions": {name: version(name) for name in PACKAGES},
        "photo": {"part": part, "view": first.part["view"], "grade": first.grade, "megabytes": len(photo) / 1e6},
        "times": {name: asdict(timing) for name, timing in times.items()},
        "steps": {name: median(step[name] for step in steps[1:]) for name in steps[0]},
        "finer": {name: 1e3 * median(step.get(name, 0.0) for step in finer[1:]) for name in finer[0]},
        "over_decode": times["grade"].median / times["decode"].median,
        "faster_than_eager": times["eager"].median / times["grade"].median,
        "memory": {"loaded": memory[0], "graded": memory[1]},
        "cold_start_s": median(cold),
        "graph_mib": (model / "model.onnx").stat().st_size / 2**20,
    }


def table(figures: Mapping[str, Any]) -> str:
    """The figures for a person; a goal that is missed says so."""
    photo, machine, steps = figures["photo"], figures["machine"], figures["steps"]
    times = {name: Timing(**values) for name, values in figures["times"].items()}
    shares = ", ".join(f"{name} {spent:.1f} ms ({spent / steps['total']:.0%})" for name, spent in steps.items())
    finer = ", ".join(f"{name} {spent:.1f}" for name, spent in figures["finer"].items())
    decoding = figures["finer"].get("decode", 0.0) / times["decode"].median
    peak_mb = max(figures["memory"].values()) * 2**20 / 1e6
    lines = [
        f"{machine['cores']} cores ({machine['processor']}), load {machine['load']:.1f}, one thread each, "
        f"Python {machine['python']}; "
        + ", ".join(f"{name} {number}" for name, number in figures["versions"].items()),
        f"photo: {photo['part']}, {photo['view']} view, {PHOTO_SIZE[1]}x{PHOTO_SIZE[0]}, {photo['megabytes']:.1f} MB, "
        f"graded {photo['grade'] or 'without a single grade'}",
        "median of the repeats (their middle half):",
        f"grading, bytes to report        {times['grade']}",
        f"bare full-size decoding         {times['decode']}",
        f"decode, scale, network in torch {times['eager']}",
        f"grading over bare decoding: {_held(figures['over_decode'], most=MOST_DECODES)}",
        f"times faster than torch:    {_held(figures['faster_than_eager'], least=LEAST_FASTER)}",
        f"steps of grading: {shares}",
        f"within them, ms (a step may hold others): {finer}",
        f"decoding at reduced scale over bare decoding: {decoding:.2f}",
        f"cold start of the command, seconds: {_held(figures['cold_start_s'], most=GOAL_COLD_S)}",
        f"peak memory: {figures['memory']['loaded']:.0f} MiB with the model loaded, "
        f"{figures['memory']['graded']:.0f} MiB after one photo; in MB {_held(peak_mb, most=GOAL_PEAK_MB)}",
        f"model.onnx: {figures['graph_mib']:.1f} MiB",
    ]
    if "install_mib" in figures:
        lines.append(f"installed packages: {figures['install_mib']:.0f} MiB")
    return "\n".join(lines)


def _held(value: float, *, most: float | None = None, least: float | None = None) -> str:
    kept = (most is None or value <= most) and (least is None or value >= least)
    goal = f"at most {most:g}" if most is not None else f"at least {least:g}"
    return f"{value:.2f} (goal {goal}: {'kept' if kept else 'MISSED'})"
