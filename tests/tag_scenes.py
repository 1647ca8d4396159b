"""Photos of a return tag drawn from known cameras: the page's own boxes painted, then seen through a homography."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import pypdf

from wearvision.return_numbers import with_check_digits
from wearvision.return_tag_print import MARKER_MM, MARKERS_MM, QR_MM, TAG_MM, draw_return_tag

NUMBER = with_check_digits("2600042")
OTHER = with_check_digits("2600043")
PX_PER_MM = 12
PAPER, INK = 228, 14
DISTANCE_MM = 350.0


@cache
def painted(number: str = NUMBER) -> np.ndarray:
    """One tag straight from above, grey uint8: the filled boxes of the PDF's drawing commands, in their order."""
    page = pypdf.PdfReader(io.BytesIO(draw_return_tag(number))).pages[0]
    content = page.get_contents().get_data().decode("latin-1")
    raster, grey = np.full((round(TAG_MM[1] * PX_PER_MM), round(TAG_MM[0] * PX_PER_MM)), 255, np.uint8), 0.0
    for level, box in re.findall(r"([\d.]+) g\b|((?:-?[\d.]+ ){4})re f", content):
        if level:
            grey = float(level)
            continue
        x, y, width, height = (np.array(box.split(), float) * 25.4 / 72 * PX_PER_MM).tolist()
        raster[round(-y - height) : round(-y), round(x) : round(x + width)] = round(255 * grey)
    return raster


@dataclass(frozen=True)
class View:
    """How a tag is seen: side of its code in pixels if straight from above, tilts and turn in degrees, and harm."""

    code_px: float = 120
    tilt_deg: float = 0.0
    axis_deg: float = 0.0
    turn_deg: float = 0.0
    blur_px: float = 0.6
    quality: int = 85
    shadow: float = 0.0
    hidden: tuple[int, ...] = ()
    size: tuple[int, int] = (1024, 768)
    shift_px: tuple[float, float] = (0.0, 0.0)

    @property
    def focal_px(self) -> float:
        return self.code_px / QR_MM * DISTANCE_MM

    @property
    def homography(self) -> np.ndarray:
        """From millimetres on the tag to x, y in pixels."""
        turned = _about_z(-self.axis_deg) @ _about_x(self.tilt_deg) @ _about_z(self.axis_deg) @ _about_z(self.turn_deg)
        middle = ((self.size[0] - 1) / 2 + self.shift_px[0], (self.size[1] - 1) / 2 + self.shift_px[1])
        lens = np.array([[self.focal_px, 0, middle[0]], [0, self.focal_px, middle[1]], [0, 0, 1]])
        to_middle = np.array([[1, 0, -TAG_MM[0] / 2], [0, 1, -TAG_MM[1] / 2], [0, 0, 1.0]])
        return lens @ np.column_stack([turned[:, 0], turned[:, 1], (0, 0, DISTANCE_MM)]) @ to_middle


def _about_z(angle: float) -> np.ndarray:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])


def _about_x(angle: float) -> np.ndarray:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def laid(scene: np.ndarray, view: View, *, number: str = NUMBER) -> np.ndarray:
    """The scene (RGB float) with the tag laid into it; not yet blurred or packed."""
    raster = painted(number).copy()
    for marker in view.hidden:
        x, y = (round(v * PX_PER_MM) for v in MARKERS_MM[marker])
        side = round(MARKER_MM * PX_PER_MM)
        raster[y : y + side, x : x + side] = 120
    to_mm = np.array([[1 / PX_PER_MM, 0, 0.5 / PX_PER_MM], [0, 1 / PX_PER_MM, 0.5 / PX_PER_MM], [0, 0, 1]])
    fine = 3 if view.code_px < 150 else 2  # drawn larger and averaged: no aliasing
    grow = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1.0]])
    large = (view.size[0] * fine, view.size[1] * fine)
    both = np.stack([raster, np.full_like(raster, 255)], axis=-1)
    seen = cv2.warpPerspective(both, grow @ view.homography @ to_mm, large, flags=cv2.INTER_LINEAR)
    seen = cv2.resize(seen, view.size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    light, cover = seen[..., :1], seen[..., 1:]
    return scene * (1 - cover) + INK * cover + (PAPER - INK) * light


def photograph(view: View, *, number: str = NUMBER, scene: np.ndarray | None = None, seed: int = 0) -> np.ndarray:
    """A JPEG of the tag on a bench, decoded: RGB uint8."""
    width, height = view.size
    bench = np.full((height, width, 3), (104, 98, 90), np.float32) if scene is None else scene.astype(np.float32)
    return developed(laid(bench, view, number=number), view, seed=seed)


def developed(picture: np.ndarray, view: View, *, seed: int = 0) -> np.ndarray:
    """Shadow, blur, grain and JPEG."""
    fall = np.linspace(1 - view.shadow, 1, picture.shape[1])[None, :, None]
    picture = picture * fall
    if view.blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), view.blur_px)
    picture = picture + np.random.default_rng(seed).normal(0, 2, picture.shape)
    return packed(np.clip(picture, 0, 255).astype(np.uint8), view.quality)


def packed(picture: np.ndarray, quality: int) -> np.ndarray:
    _, file = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.cvtColor(cv2.imdecode(file, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
