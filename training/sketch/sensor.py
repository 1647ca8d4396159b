"""From linear light to a file's pixels: lens, sensor, the phone's own processing, the messenger's JPEG."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.sketch.noise import generator

Image = NDArray[np.float32]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""Weights of linear RGB; source: IEC 61966-2-1 primaries."""

# sRGB of 4096 even steps of linear light: finer than 8 bits everywhere but in the darkest steps, which noise covers.
_STEPS = np.linspace(0, 1, 4097, dtype=np.float32)
_ENCODED = np.where(_STEPS <= 0.0031308, 12.92 * _STEPS, 1.055 * _STEPS ** (1 / 2.4) - 0.055).astype(np.float32)


def expose(linear: Image, camera: Mapping[str, Any]) -> float:
    """The gain that the camera sets, or ``camera["gain"]``: middle grey about the centre, highlights held."""
    if camera["gain"] is not None:
        return float(camera["gain"])
    light = linear[::4, ::4] @ LUMINANCE
    across = np.linspace(-1, 1, len(light), dtype=np.float32) ** 2
    weight = np.exp(-2 * (across[:, None] + across[None, :]))
    middle = 0.19 / max(float(np.exp(np.average(np.log(light + 1e-3), weights=weight))), 1e-3)
    # Phones let small glints clip and hold the rest; the middle half is what they take for the subject.
    held = 1.0 / max(float(np.percentile(light, 98.5)), 1e-3)
    n = len(light) // 4
    subject = 0.85 / max(float(np.percentile(light[n:-n, n:-n], 92)), 1e-3)
    return float(min(middle, held * 1.25, subject) * 2.0 ** float(camera["exposure_ev"]))


def develop(linear: Image, camera: Mapping[str, Any], white: Image, seed: int) -> NDArray[np.uint8]:
    """The photo of a linear picture, (S, S, 3) uint8 RGB.

    Args:
        linear: Scene radiance, (S, S, 3) float32, ≥ 0.
        camera: The sensor half of a recipe's camera.
        white: Colour of the scene's light, linear RGB: what the white balance adapts to.
        seed: Seeds the noise.
    """
    size = linear.shape[0]
    picture = _lens(linear, camera, size / 320.0) * np.float32(expose(linear, camera))
    balance = (white.mean() / white) ** float(camera["adaptation"])
    balance[[0, 2]] *= np.asarray(camera["white_error"], np.float32)
    picture = picture * balance.astype(np.float32)
    picture = _noisy(picture, float(camera["iso"]), generator(seed, "noise"))
    picture = _tone(picture, camera)
    if camera["sharpen"] > 0.02:
        soft = cv2.GaussianBlur(picture, (0, 0), float(camera["sharpen_px"]))
        keen = float(camera["sharpen"])
        picture = np.asarray(cv2.addWeighted(picture, 1 + keen, soft, -keen, 0))
    return _file(np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8), camera)


def _lens(linear: Image, camera: Mapping[str, Any], pixel: float) -> Image:
    sigma = float(camera["defocus_px"]) * pixel
    if sigma > 2.0:
        # A strong defocus shows the aperture's disc; a disc of radius 2 sigma has the same spread.
        radius = int(np.ceil(2 * sigma))
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)).astype(np.float32)
        linear = np.asarray(cv2.filter2D(linear, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE))
    elif sigma > 0.2:
        linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), sigma))
    length = float(camera["motion_px"]) * pixel
    if length > 0.6:
        n = 2 * int(np.ceil(length / 2)) + 1
        kernel = np.zeros((n, n), np.float32)
        a = np.deg2rad(float(camera["motion_deg"]))
        dx, dy = np.cos(a) * length / 2, np.sin(a) * length / 2
        middle = n // 2
        for t in np.linspace(-1, 1, 4 * n):
            kernel[round(middle + t * dy), round(middle + t * dx)] += 1
        linear = np.asarray(cv2.filter2D(linear, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE))
    return linear


def _noisy(picture: Image, iso: float, rng: np.random.Generator) -> Image:
    """Shot noise grows with the root of the light, read noise stays; both correlated a little by demosaicing."""
    grain = rng.standard_normal(picture.shape, dtype=np.float32)
    if iso > 0.012:
        grain = np.asarray(cv2.blur(grain, (2, 2)) * 1.6, np.float32)
    spread = np.sqrt(np.clip(picture, 0, None)) * np.float32(iso) + np.float32(0.25 * iso)
    return np.asarray(picture + grain * spread, np.float32)


def _tone(picture: Image, camera: Mapping[str, Any]) -> Image:
    """Highlight roll-off, sRGB encoding, contrast curve, saturation and black level; 0 to 1."""
    clipped = np.clip(picture, 0, 1) * 4096
    encoded = _ENCODED[clipped.astype(np.int32)]
    bend = float(camera["contrast"])
    # A smooth S through 0, 0.5 and 1; bend 1 is the full smoothstep.
    curved = encoded + bend * 0.6 * (encoded * encoded * (3 - 2 * encoded) - encoded)
    grey = curved @ LUMINANCE
    out = grey[..., None] + float(camera["saturation"]) * (curved - grey[..., None])
    return np.asarray(out * (1 - float(camera["black"])) + float(camera["black"]))


def _file(picture: NDArray[np.uint8], camera: Mapping[str, Any]) -> NDArray[np.uint8]:
    size = picture.shape[0]
    small = picture
    if camera["rescale"] < 1:
        n = max(16, round(size * float(camera["rescale"])))
        small = np.asarray(cv2.resize(picture, (n, n), interpolation=cv2.INTER_AREA), np.uint8)
    for quality in (camera["jpeg"], camera["jpeg_again"]):
        if quality is not None:
            swapped = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
            done, packed = cv2.imencode(".jpg", swapped, [cv2.IMWRITE_JPEG_QUALITY, int(quality)])
            if not done:
                raise RuntimeError("OpenCV could not encode a JPEG")
            decoded = cv2.imdecode(packed, cv2.IMREAD_COLOR)
            if decoded is None:
                raise RuntimeError("OpenCV could not read its own JPEG")
            small = np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), np.uint8)
    if small.shape[0] != size:
        small = np.asarray(cv2.resize(small, (size, size), interpolation=cv2.INTER_LINEAR), np.uint8)
    return small
