"""The path tracer's light against closed forms: inverse squares, an even room, reflection at glass.

Formulas and sections are quoted from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from wearvision_training.pathtrace import tracer
from wearvision_training.pathtrace.layers import fresnel
from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.pathtrace.tracer import ROUGHEST_MIRROR, Stage
from wearvision_training.pathtrace.world import Lamp, World

SIZE = 32
STRAIGHT: dict[str, Any] = {
    "tilt_deg": 0.0, "tilt_towards_deg": 0.0, "turn_deg": 0.0, "distance": 20.0, "scale": 1.2, "shift": [0.0, 0.0],
}  # fmt: skip


@pytest.fixture(autouse=True, scope="module")
def small_sheets() -> Iterator[None]:
    pytest.importorskip("mitsuba")
    tracer.choose_variant()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tracer, "ATLAS_SMALL", 128)
        yield


def sheet(half: float, x: float = 0.0, z: float = 0.0, *, down: bool = False) -> Mesh:
    u, v = np.meshgrid([-half, half], [-half, half])
    made = grid_mesh(np.stack([u + x, v, np.full((2, 2), z)], -1))
    a, b, c = (made.vertices[made.faces[0, k]] for k in range(3))
    turn = (np.cross(b - a, c - a)[2] < 0) != down
    return Mesh(made.vertices, made.faces[:, ::-1] if turn else made.faces, made.uv)


def shown(albedo: float, roughness: float, metal: float = 0.0) -> float:
    """Mean radiance of a plain card that fills the picture, straight on, in an even room of radiance 1."""
    card = Solid(sheet(1.0), Finish(np.full(3, albedo, np.float32), roughness, metal))
    stage = Stage([card], World((), (), np.ones((8, 16, 3), np.float32)), STRAIGHT, SIZE)
    return float(stage.picture(16, 5).mean())


# Source: Lambert's cosine law and the inverse square law, any photometry textbook: a small lamp of radiance L and area
# A straight over a card at height d gives E = L A / d^2, and the card shows albedo / pi times E. Beside it the lamp
# gives E cos^4 of the angle. The principled surface adds a gloss of its own, which a black card shows alone.
@pytest.mark.parametrize(("height", "beside"), [(2.0, 0.4), (4.0, 0.4), (3.0, 1.5)])
def test_card_under_a_small_lamp_follows_the_inverse_square_law(height: float, beside: float) -> None:
    radiance, half = 400.0, 0.05
    lamp = Lamp(sheet(half, beside, height, down=True), (radiance,) * 3)
    seen = []
    for albedo in (0.6, 0.0):
        card = Solid(sheet(1.0), Finish(np.full(3, albedo, np.float32), 1.0))
        dark = np.full((8, 16, 3), 1e-6, np.float32)
        close = {**STRAIGHT, "scale": 12.0}  # so close that the lamp is out of view, and its light even
        seen.append(float(Stage([card], World((), (lamp,), dark), close, SIZE).picture(32, 3).mean()))
    irradiance = radiance * (2 * half) ** 2 * height**2 / (height**2 + beside**2) ** 2
    assert seen[0] - seen[1] == pytest.approx(0.6 / np.pi * irradiance, rel=0.03)


# Source: "white furnace", the textbook test of a renderer: in an even room of radiance 1 a surface shows its
# directional albedo. For the principled surface's diffuse part (Burley, Physically Based Shading at Disney, 2012; seen
# straight on base / pi (1 - F/2 + 2 r F cos^2(t/2)) with F = (1 - cos t)^5), integrated by hand over the half space:
# base (1 - 1/42 + 5/84 r). The gloss on it is what a black surface shows.
@pytest.mark.parametrize(("albedo", "roughness"), [(0.5, 0.3), (0.5, 0.6), (0.5, 1.0), (0.2, 0.6), (0.8, 1.0)])
def test_even_room_shows_the_diffuse_albedo(albedo: float, roughness: float) -> None:
    gloss = shown(0.0, roughness)
    diffuse = shown(albedo, roughness) - gloss
    assert diffuse == pytest.approx(albedo * (1 - 1 / 42 + 5 / 84 * roughness), rel=0.015)
    assert 0 < gloss < 0.045


# Source: Walter and others, Microfacet Models for Refraction through Rough Surfaces, 2007: the GGX distribution of
# slopes and its shadowing. What leaves a white metal seen straight on, after one reflection, is the shadowing's mean
# over the facets that do not throw light under the horizon; summed here over the facets, drawn by their distribution.
# Width of the slopes: roughness squared (Burley, 2012).
@pytest.mark.parametrize("roughness", [ROUGHEST_MIRROR, 0.3, 0.6])
def test_white_metal_in_an_even_room_shows_what_one_reflection_returns(roughness: float) -> None:
    width = roughness**2
    share = (np.arange(100_000) + 0.5) / 100_000
    leaving = 2 * np.arctan(width * np.sqrt(share / (1 - share)))
    kept = np.where(leaving < np.pi / 2, 2 / (1 + np.sqrt(1 + (width * np.tan(leaving)) ** 2)), 0)
    assert shown(1.0, roughness, 1.0) == pytest.approx(kept.mean(), rel=0.02)


# Source: handbook value, "glass of index 1.5 reflects 4 % at normal incidence": ((n - 1) / (n + 1))^2 = 0.04 (Hecht,
# Optics, section 4.6); 1.33 (water) 2.0 %, 2.42 (diamond) 17.2 % computed from the same formula.
@pytest.mark.parametrize(("index", "percent"), [(1.5, 4.0), (1.33, 2.0), (2.42, 17.2)])
def test_normal_incidence_reflects_the_handbook_share(index: float, percent: float) -> None:
    assert 100 * float(fresnel(np.ones(1, np.float32), index)[0]) == pytest.approx(percent, abs=0.05)


def test_smooth_black_plastic_mirrors_four_per_cent_of_an_even_room() -> None:
    # Source: as above; the principled surface's "specular 0.5" stands for an index of 1.5 (Burley, 2012).
    assert shown(0.0, ROUGHEST_MIRROR) == pytest.approx(0.04, rel=0.05)


# Source: Brewster's angle arctan(n), 56.31 degrees for 1.5 (Hecht, Optics, section 8.6): light polarised along the
# plane of incidence is not reflected there, and of the other ((n^2 - 1) / (n^2 + 1))^2 = 14.79 %: unpolarised, half.
def test_brewsters_angle_reflects_one_polarisation_alone() -> None:
    cosine = np.cos(np.arctan(np.array([1.5], np.float32)))
    assert np.rad2deg(np.arccos(cosine[0])) == pytest.approx(56.31, abs=0.01)
    assert float(fresnel(cosine, 1.5)[0]) == pytest.approx(0.1479 / 2, abs=1e-4)


# Source: Schlick, An Inexpensive BRDF Model for Physically-based Rendering, 1994: his formula stays within about 1 % of
# full reflection of Fresnel's for glass, except towards grazing incidence.
def test_fresnel_is_near_schlicks_approximation() -> None:
    cosine = np.linspace(0.35, 1, 50).astype(np.float32)
    assert np.abs(fresnel(cosine, 1.5) - (0.04 + 0.96 * (1 - cosine) ** 5)).max() < 0.02
