"""Linear light and contrast: from stored colour codes to what the scene sent out.

Film and haze mix light, not codes, so every ratio of brightness is taken after decoding.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Rec. 709 weights of linear red, green and blue (also those of sRGB)."""

_DARK_PATCH_PX = 15  # He, Sun and Tang 2011 use a 15 x 15 patch (value from memory)


def srgb_decode(code: NDArray[Any] | float) -> NDArray[Any]:
    """Linear light, 0 to 1, of sRGB codes.

    Args:
        code: uint8 codes 0 to 255, or floats 0 to 1; any shape.
    Returns:
        float32 of the same shape for uint8 (by table), float64 else.
    Source: IEC 61966-2-1 (value from memory).
    Example:
        >>> round(float(srgb_decode(0.5)), 6)
        0.214041
    """
    values = np.asarray(code)
    if values.dtype == np.uint8:
        return np.asarray(_TABLE[values])
    values = values.astype(np.float64)
    return np.where(values <= 0.04045, values / 12.92, ((np.maximum(values, 0.0) + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear: NDArray[Any] | float) -> NDArray[np.float64]:
    """SRGB codes as floats 0 to 1 of linear light; the inverse of ``srgb_decode``.

    Args:
        linear: Linear light, any shape; values outside 0 to 1 are clipped to it.
    Source: IEC 61966-2-1 (value from memory).
    """
    light = np.clip(np.asarray(linear, np.float64), 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


_TABLE: NDArray[np.float32] = srgb_decode(np.arange(256) / 255).astype(np.float32)


def luminance(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Linear luminance, 0 to 1.

    Args:
        image: RGB, (H, W, 3) uint8, sRGB codes.
    Returns:
        (H, W) float32.
    Raises:
        ValueError: another shape or type; the message holds both.
    """
    require_rgb(image)
    weights = np.asarray([LUMINANCE_WEIGHTS], np.float32)
    light = np.asarray(cv2.transform(_TABLE[image], weights), np.float32)
    return light.reshape(image.shape[:2])


def require_rgb(image: NDArray[Any]) -> None:
    """Refuse anything but RGB (H, W, 3) uint8, with a ``ValueError`` that says what came."""
    if image.ndim != 3 or image.shape[2] != 3 or image.dtype != np.uint8:
        raise ValueError(f"expected an RGB image (H, W, 3) uint8, got shape {image.shape} {image.dtype}")


def require_mask(mask: NDArray[Any], shape: tuple[int, ...], name: str) -> None:
    """Refuse anything but a bool mask of the picture's (H, W), with a ``ValueError`` that says what came."""
    if mask.dtype != np.bool_ or mask.shape != tuple(shape[:2]):
        raise ValueError(f"expected {name} as bool {tuple(shape[:2])}, got {mask.dtype} {mask.shape}")


def michelson_contrast(bright: float, dark: float) -> float:
    """(bright - dark) / (bright + dark), 0 to 1 for luminances; 0 where both are black.

    Source: Michelson 1927, as cited in encyclopedic texts on contrast.
    """
    total = bright + dark
    return (bright - dark) / total if total > 0 else 0.0


def weber_contrast(target: float, background: float) -> float:
    """(target - background) / background; negative for a dark target.

    Raises:
        ValueError: the background is not brighter than 0.
    """
    if background <= 0:
        raise ValueError(f"the background must be brighter than 0, got {background}")
    return (target - background) / background


def rms_contrast(light: NDArray[Any]) -> float:
    """Standard deviation over mean (ddof 0) of luminances, 0 for an even or black patch.

    Source: Peli 1990 (value from memory); divided by the mean, so that exposure drops out.
    """
    values = np.asarray(light, np.float64)
    mean = float(values.mean()) if values.size else 0.0
    return float(values.std() / mean) if mean > 0 else 0.0


def dark_channel_transmission(
    linear: NDArray[Any], airlight: float, *, omega: float = 1.0, patch_px: int = _DARK_PATCH_PX
) -> NDArray[np.float32]:
    """How much of the scene comes through a bright veil, 0 (none) to 1 (clear), from the darkest colour nearby.

    Args:
        linear: Linear RGB, (H, W, 3), 0 to 1.
        airlight: Radiance of the veil, > 0, same unit.
        omega: Share of the veil that is counted.
        patch_px: Side of the square in which the darkest value is looked for, odd.
    Returns:
        (H, W) float32. A scene without anything dark (white ceramic) reads as veiled: evidence, no measure.
    Raises:
        ValueError: airlight is not > 0.
    Source: He, Sun, Tang, "Single Image Haze Removal Using Dark Channel Prior", IEEE TPAMI 33(12), 2011.
    """
    if airlight <= 0:
        raise ValueError(f"airlight must be > 0, got {airlight}")
    darkest = np.asarray(linear, np.float32).min(axis=2) / np.float32(airlight)
    dark = cv2.erode(darkest, np.ones((patch_px, patch_px), np.uint8))
    return np.asarray(np.clip(1.0 - omega * dark, 0.0, 1.0), np.float32)
