"""What slices, shadows and the veil are laid onto, in reflectance units: 1 is a white card in full light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.sketch.drawing import Slice, Veil
from wearvision_training.sketch.shading import Light, shade
from wearvision_training.sketch.warp import Placed, rotation

Image = NDArray[np.float32]
Cover = NDArray[np.float32]
Box = tuple[slice, slice]

PART = "part"
WINDOW = "window"
SHADOW_STEP = 0.04  # plane units: a slice that stands higher than this over the one below casts a shadow on it
COARSE = 4  # shadows are soft: they are made at a quarter of the picture's resolution


@dataclass(slots=True)
class Canvas:
    """The picture so far.

    Attributes:
        veiled: With film and haze, (S, S, 3).
        clear: Without them; the same array until a veil is laid.
        lit: Share of the light that reaches the surface seen, (S, S).
        cover: Region name to visible cover so far, (S, S).
        part: Cover by the part so far, (S, S).
        window: Visible cover by the veil's window, or None.
        film: f where the window shows, unthinned by its soft edge; likewise ``haze``.
        top: Height of the last slice laid.
    """

    veiled: Image
    clear: Image
    lit: Cover
    part: Cover
    cover: dict[str, Cover] = field(default_factory=dict)
    window: Cover | None = None
    film: Cover | None = None
    haze: Cover | None = None
    top: float | None = None

    @classmethod
    def over(cls, background: Image) -> Canvas:
        """A canvas that holds only a background, (S, S, 3); the background is drawn over."""
        shape = background.shape[:2]
        return cls(background, background, np.ones(shape, np.float32), np.zeros(shape, np.float32))

    def darken(self, factor: Cover) -> None:
        """Multiplies the light that reaches what is seen."""
        self.lit *= factor
        self.clear *= factor[..., None]
        if self.veiled is not self.clear:
            self.veiled *= factor[..., None]


def bounds(alpha: Cover) -> Box | None:
    """Rows and columns of a raster that hold anything, with one pixel around them; None if empty."""
    rows = np.flatnonzero(alpha.max(1) > 0.002)
    if len(rows) == 0:
        return None
    columns = np.flatnonzero(alpha[rows[0] : rows[-1] + 1].max(0) > 0.002)
    n = alpha.shape[0]
    return (
        slice(max(int(rows[0]) - 1, 0), min(int(rows[-1]) + 2, n)),
        slice(max(int(columns[0]) - 1, 0), min(int(columns[-1]) + 2, n)),
    )


def lay_slice(
    canvas: Canvas,
    piece: Slice,
    camera: Mapping[str, Any],
    lamp: Mapping[str, Any],
    light: Light,
    through: frozenset[str],
) -> None:
    """Lays one slice over the canvas: colour by alpha, its masks, and what it hides of those before.

    Args:
        canvas: Changed in place.
        piece: The slice.
        camera: Pose of the plane that it belongs to.
        lamp: The scene's light as parameters, for the shadow.
        light: The same, made ready.
        through: Names of masks that nearer slices do not hide.
    """
    size = canvas.part.shape[0]
    # A mask may reach beyond its own slice's cover: a crack that rides on the deposit's slice, say.
    part = bounds(np.maximum.reduce([piece.alpha, *(mask.astype(np.float32) for mask in piece.masks.values())]))
    if part is None:
        return
    rows, columns = part
    placed = Placed(camera, size, piece.alpha.shape[0], piece.z)
    box = placed.box_of(rows.start, rows.stop, columns.start, columns.stop)
    if box[0].stop <= box[0].start or box[1].stop <= box[1].start:
        return
    origin = (rows.start, columns.start)
    alpha = placed.warp(np.ascontiguousarray(piece.alpha[part], np.float32), origin, box)
    if canvas.top is not None and piece.z - canvas.top >= SHADOW_STEP:
        _shadow_on_part(canvas, piece, canvas.top, camera, lamp)
    colour = np.ascontiguousarray(shade(piece, part, light, rotation(camera)), np.float32)
    seen = placed.warp(colour, origin, box)
    _blend(canvas, box, alpha, seen)
    for name, whole in canvas.cover.items():
        if name not in through:
            whole[box] *= 1 - alpha
    if canvas.window is not None:
        canvas.window[box] *= 1 - alpha
    np.maximum(canvas.part[box], alpha, out=canvas.part[box])
    for name, mask in piece.masks.items():
        inside = placed.warp(np.ascontiguousarray(mask[part]).astype(np.float32), origin, box)
        whole = canvas.cover.setdefault(name, np.zeros((size, size), np.float32))
        np.maximum(whole[box], inside, out=whole[box])
    canvas.top = piece.z


def _blend(canvas: Canvas, box: Box, alpha: Cover, seen: Image) -> None:
    keep = alpha[..., None]
    canvas.clear[box] += keep * (seen - canvas.clear[box])
    if canvas.veiled is not canvas.clear:
        canvas.veiled[box] += keep * (seen - canvas.veiled[box])
    canvas.lit[box] += alpha * (1 - canvas.lit[box])


def shadow_on_bench(
    canvas: Canvas, slices: Sequence[Slice], camera: Mapping[str, Any], lamp: Mapping[str, Any], floor: float
) -> None:
    """Darkens the bench under a drawing that is laid next; ``floor`` is the bench's height in its plane."""
    casting = [s for s in slices if bounds(s.alpha) is not None]
    if not casting:
        return
    # A few heights are enough for one soft shadow: the lowest, the highest and some between.
    chosen = {round(i) for i in np.linspace(0, len(casting) - 1, min(4, len(casting)))}
    dark = [_dark(casting[i], floor, camera, lamp, canvas.part.shape[0]) for i in sorted(chosen)]
    size = canvas.part.shape[0]
    lowest = np.minimum.reduce(dark)
    canvas.darken(np.asarray(cv2.resize(lowest, (size, size), interpolation=cv2.INTER_LINEAR), np.float32))


def _shadow_on_part(
    canvas: Canvas, piece: Slice, below: float, camera: Mapping[str, Any], lamp: Mapping[str, Any]
) -> None:
    size = canvas.part.shape[0]
    dark = cv2.resize(_dark(piece, below, camera, lamp, size), (size, size), interpolation=cv2.INTER_LINEAR)
    canvas.darken(1 - canvas.part * (1 - dark))


def _dark(piece: Slice, below: float, camera: Mapping[str, Any], lamp: Mapping[str, Any], size: int) -> Cover:
    """Light left beneath a slice, coarse: the key light's shifted shadow and the closeness to all-round light."""
    coarse = size // COARSE
    gap = max(piece.z - below, 0.04)
    whole = (slice(0, coarse), slice(0, coarse))
    alpha = Placed(camera, coarse, piece.alpha.shape[0], piece.z).warp(piece.alpha, (0, 0), whole)
    pixels = gap * float(camera["scale"]) * coarse / 2
    elevation = np.deg2rad(max(float(lamp["elevation_deg"]), 20.0))
    length = min(pixels / np.tan(elevation), 0.3 * coarse)
    azimuth = np.deg2rad(float(lamp["azimuth_deg"]))
    move = np.array([[1, 0, -np.cos(azimuth) * length], [0, 1, -np.sin(azimuth) * length]])
    key = cv2.warpAffine(alpha, move, (coarse, coarse))
    key = cv2.GaussianBlur(key, (0, 0), 0.35 + float(lamp["softness"]) * pixels * 0.5)
    close = cv2.GaussianBlur(alpha, (0, 0), 0.6 + 0.7 * pixels)
    ambient = float(lamp["ambient"])
    return np.asarray(np.clip(1 - (1 - ambient) * 0.9 * key - ambient * 0.65 * close, 0.03, 1), np.float32)


def lay_veil(canvas: Canvas, veil: Veil, camera: Mapping[str, Any]) -> None:
    """The wear standard's layer equation per pixel, in linear light: I = (1-f)[(1-h)J + hA] + fS."""
    size = canvas.part.shape[0]
    window = veil.window.astype(np.float32)
    placed = Placed(camera, size, veil.window.shape[0], veil.z)
    seen = placed.warp(
        np.dstack([window, veil.film * window, veil.haze * window]), (0, 0), (slice(0, size), slice(0, size))
    )
    cover = np.ascontiguousarray(seen[..., 0])
    # Divided by the cover: f and h are the veil's own, however little of an edge pixel the window fills.
    inside = np.where(cover > 0.02, cover, np.inf)
    canvas.film, canvas.haze = seen[..., 1] / inside, seen[..., 2] / inside
    canvas.window = cover
    f, h = (canvas.film * cover)[..., None], (canvas.haze * cover)[..., None]
    lit = canvas.lit[..., None]
    milky, deposit = (np.asarray(c, np.float32) * lit for c in (veil.haze_radiance, veil.film_radiance))
    canvas.veiled = (1 - f) * ((1 - h) * canvas.clear + h * milky) + f * deposit
