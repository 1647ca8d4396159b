"""What lies over a cell's window, rendered apart and mixed in linear light by the wear standard's layer equation."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.solid import Pane
from wearvision_training.pathtrace.tracer import CARD_ALBEDO, Stage
from wearvision_training.recipe import Recipe

Image = NDArray[np.float32]
CARD_SHARE, MIRROR_SHARE = 0.25, 0.5
"""Share of the picture's samples that card and mirror image get: both are smooth or seen at a few per cent."""


def over_window(
    stage: Stage, pane: Pane, recipe: Recipe, clear: Image, film: Image, haze: Image, window: Image, samples: int
) -> tuple[Image, Image, Image]:
    """The clear picture with its glass, the same under film and haze, and the light on the window.

    Args:
        stage: The scene without glass.
        pane: What is laid over the window.
        recipe: Its seed is used.
        clear: The picture of the stage, (S, S, 3).
        film: f times the window's cover, (S, S). haze: h likewise.
        window: The window's visible cover, (S, S).
        samples: Paths per pixel of the main picture.

    Returns:
        J, I and the radiance of a white card in the window's place (1 where there is neither film nor haze),
        (S, S, 3) each.
    """
    behind = clear * (1 + window[..., None] * (np.asarray(pane.tint, np.float32) - 1))
    mirrored, share = _mirror_image(stage, pane, recipe, max(4, round(samples * MIRROR_SHARE)))
    seen = (share * window)[..., None]
    glassy = behind * (1 - seen) + mirrored * seen
    light = np.ones_like(clear)
    if film.max() < 1e-4 and haze.max() < 1e-4:
        return glassy, glassy, light
    stage.show(pane.card)
    grainy = stage.picture(max(4, round(samples * CARD_SHARE)), recipe.seed + 1)
    light = _smooth(grainy / np.float32(CARD_ALBEDO), window)
    inside = np.maximum(window, 1e-4)
    f, h = (np.clip(plane / inside, 0, 1)[..., None] for plane in (film, haze))
    milky, deposit = (light * np.asarray(c, np.float32) for c in (pane.haze_radiance, pane.film_radiance))
    veiled = (1 - f) * ((1 - h) * glassy + h * milky) + f * deposit
    return glassy, glassy + window[..., None] * (veiled - glassy), light


def _smooth(light: Image, window: Image) -> Image:
    """The light on the card without the grain of few paths: averaged inside the window alone."""
    sigma = light.shape[0] / 160
    weight = cv2.GaussianBlur(window, (0, 0), sigma)[..., None]
    soft = cv2.GaussianBlur(light * window[..., None], (0, 0), sigma)
    return np.asarray(np.where(window[..., None] > 0, soft / np.maximum(weight, 1e-4), light), np.float32)


def _mirror_image(stage: Stage, pane: Pane, recipe: Recipe, samples: int) -> tuple[Image, NDArray[np.float32]]:
    """What the glass mirrors, and by Fresnel's equations how much of it, (S, S); 0 off the glass."""
    stage.show(pane.glass, mirror=True)
    hits = stage.hits()
    on_glass = hits.solid == stage.count
    share = np.zeros(on_glass.shape, np.float32)
    if not on_glass.any():
        return np.zeros((*on_glass.shape, 3), np.float32), share
    cosine = np.clip(np.abs((hits.normal * stage.rays()).sum(-1)), 0, 1)
    share[on_glass] = fresnel(cosine[on_glass], pane.index)
    return stage.picture(samples, recipe.seed + 2), share


def fresnel(cosine: NDArray[np.float32], index: float) -> NDArray[np.float32]:
    """Share of unpolarised light that a clear dielectric's surface mirrors, 0 to 1.

    Args:
        cosine: Of the angle of incidence, 0 to 1.
        index: Refractive index over that of air, > 1.

    Source: Fresnel's equations, as in any optics handbook (Born and Wolf, Principles of Optics, section 1.5).
    """
    inner = np.sqrt(1 - (1 - cosine**2) / index**2)
    across = ((cosine - index * inner) / (cosine + index * inner)) ** 2
    along = ((inner - index * cosine) / (inner + index * cosine)) ** 2
    return np.asarray((across + along) / 2, np.float32)
