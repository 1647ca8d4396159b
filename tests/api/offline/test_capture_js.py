"""The phone's check at the moment of capture beside the library's, on the sample pictures and spoiled copies of them.

The phone does not know where the part lies, so the two agree only roughly; what must hold: no fit sample is called
unfit, and a copy spoiled by out-of-focus, shake, dark, overexposure or size is found wherever the library finds it."""

from __future__ import annotations

import base64
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient
from numpy.typing import NDArray

from wearvision.faults import ADVICE, Fault, FaultKind
from wearvision.measure.focus import edge_spread

from . import node

Picture = NDArray[np.uint8]
SPOIL: dict[str, tuple[Callable[[Picture], Any], set[str]]] = {
    "out of focus": (lambda image: cv2.GaussianBlur(image, (0, 0), 8), {"blurred", "motion_blurred"}),
    "shaken": (lambda image: cv2.blur(image, (31, 1)), {"blurred", "motion_blurred"}),
    "dark": (lambda image: (image * 0.15).astype(np.uint8), {"too_dark"}),
    "overexposed": (lambda image: cv2.convertScaleAbs(image, alpha=4, beta=120), {"too_bright", "low_contrast"}),
    "tiny": (lambda image: cv2.resize(image, (96, 96), interpolation=cv2.INTER_AREA), {"too_small"}),
}
SCRIPT = """
  const { faultsOf } = await load("capture.js");
  return given.pictures.map(({ data, width, height }) => {
    const picture = { data: new Uint8ClampedArray(Buffer.from(data, "base64")), width, height };
    return faultsOf(picture, Math.min(width, height), given.fitness);
  });
"""


def plain(image: Picture) -> dict[str, Any]:
    rgba = cv2.cvtColor(image, cv2.COLOR_BGR2RGBA)
    return {"data": base64.b64encode(rgba.tobytes()).decode(), "width": image.shape[1], "height": image.shape[0]}


def read(path: Path) -> Picture:
    image = cv2.imread(str(path))
    assert image is not None
    return np.asarray(image, np.uint8)


def looked_at(client: TestClient, images: list[Picture]) -> list[list[dict[str, Any]]]:
    fitness = client.get("/api/v1/fitness").json()
    found: list[list[dict[str, Any]]] = node.run(
        SCRIPT, {"fitness": fitness, "pictures": [plain(image) for image in images]}, timeout_s=120
    )
    return found


@pytest.mark.parametrize(
    ("pattern", "count"), [("*-serviceable-1.jpg", 4), pytest.param("*-?.jpg", 24, marks=pytest.mark.slow)]
)
def test_fit_samples_pass(client: TestClient, samples: Path, pattern: str, count: int) -> None:
    paths = [path for path in sorted(samples.glob(pattern)) if not path.name.startswith("not-a-part")]
    found = looked_at(client, [read(path) for path in paths])
    assert len(paths) == count
    assert [path.name for path, faults in zip(paths, found, strict=True) if faults] == []


@pytest.mark.parametrize("kind", SPOIL)
def test_spoiled_copies_are_found(client: TestClient, samples: Path, kind: str) -> None:
    spoil, names = SPOIL[kind]
    paths = sorted(samples.glob("*-serviceable-2.jpg"))
    found = looked_at(client, [np.asarray(spoil(read(path)), np.uint8) for path in paths])
    assert len(paths) == 4
    assert all({fault["kind"] for fault in faults} & names for faults in found)


def test_unfit_samples_are_named(client: TestClient, samples: Path) -> None:
    found = looked_at(client, [read(samples / f"unfit-{kind}.jpg") for kind in ("blurred", "shaken", "dark")])
    assert [[fault["kind"] for fault in faults] for faults in found] == [["blurred"], ["motion_blurred"], ["too_dark"]]


def test_softness_is_the_library_s(samples: Path) -> None:
    """Same definition on the same pixels; the library computes in single precision, hence a thousandth."""
    greys = [
        cv2.cvtColor(read(path), cv2.COLOR_BGR2GRAY)[:256, :320] for path in sorted(samples.glob("*-replace-1.jpg"))
    ]
    given = [{"data": grey.ravel().tolist(), "width": 320, "height": 256} for grey in greys]
    script = """
      const { edgeSpread } = await load("focus.js");
      return given.map(({ data, width, height }) => edgeSpread({ data: Float32Array.from(data), width, height }));
    """
    for grey, phone in zip(greys, node.run(script, given), strict=True):
        library = edge_spread(grey.astype(np.float32), np.ones(grey.shape, bool))
        if library is None:
            assert phone is None
            continue
        got = [phone["sigma"], phone["sharp"], phone["soft"]]
        assert got == pytest.approx([library.sigma_px, library.sharp_px, library.soft_px], rel=2e-3, abs=0.02)


def test_advice_is_filled_in_as_the_library_does(client: TestClient) -> None:
    values = {"value": 0.3141, "limit": 12.34, "course": "sideways"}
    advice = client.get("/api/v1/fitness").json()["advice"]
    script = """
      const { advise } = await load("capture.js");
      return Object.fromEntries(Object.entries(given.advice).map(([kind, text]) => [kind, advise(text, given.values)]));
    """
    phone = node.run(script, {"advice": advice, "values": values})
    assert phone == {str(kind): Fault.of(kind, 0.3141, 12.34, "sideways").advice for kind in FaultKind}
    assert set(ADVICE) == set(FaultKind)
