"""The one place that knows Mitsuba: bodies, lamps and a camera in, linear pictures and hits out."""

from __future__ import annotations

import gc
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.atlas import ROUGHEST_MIRROR, Atlas, lay_out
from wearvision_training.pathtrace.mesh import vertex_normals
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.pathtrace.world import World, to_room
from wearvision_training.sketch.warp import rotation

Image = NDArray[np.float32]
Piece = tuple[NDArray[Any], NDArray[Any], NDArray[Any], NDArray[Any]]
ATLAS_SMALL, ATLAS_LARGE = 1536, 2048
CARD_ALBEDO = 0.8
"""Of the card that stands in for a window: a higher one would gather light between card and rim."""
DEPTH = 6
"""Longest path: enough for a recess to be lit from its own walls."""
DOWN = np.array([1.0, -1.0, 1.0])
"""Camera frame (y down) to Mitsuba's world (y up)."""
THREADS = "WEARVISION_RENDER_THREADS"
"""Variable that says how many threads a process traces with, for those that share a processor."""
LLVM = "DRJIT_LIBLLVM_PATH"
"""Variable that names an LLVM library: with one of version 16 or later the processor traces three times as fast."""


def choose_variant(device: str | None = None) -> str:
    """Sets Mitsuba's variant for this process, once, and names it.

    Args:
        device: ``"cpu"`` or ``"cuda"``; by default what the variable ``WEARVISION_RENDER`` says, else ``"cpu"``.

    Raises:
        RuntimeError: Mitsuba is not installed, or does not run on that device.
    """
    try:
        import mitsuba as mi
    except ImportError as error:
        raise RuntimeError("Path tracing needs Mitsuba: pip install 'wearvision[render]'.") from error
    if mi.variant() is not None:
        return str(mi.variant())
    wanted = device or os.environ.get("WEARVISION_RENDER", "cpu")
    # Only an LLVM that was named is used: one too old does not fail, it ends the process.
    on_processor = "llvm_ad_rgb" if os.environ.get(LLVM) else "scalar_rgb"
    variant = "cuda_ad_rgb" if wanted == "cuda" else on_processor
    try:
        mi.set_variant(variant)
    except ImportError as error:
        raise RuntimeError(f"Mitsuba's {variant} does not run here: {error}") from error
    mi.set_log_level(mi.LogLevel.Error)
    if threads := os.environ.get(THREADS):
        import drjit as dr

        dr.set_thread_count(int(threads))
    return variant


@dataclass(frozen=True, slots=True)
class Hits:
    """What a ray through each of S times S points of the picture meets first.

    Attributes:
        solid: (S, S) int32 index into the solids given, -1 for none.
        uv: (S, S, 2) float32 there.
        depth: (S, S) float32 distance from the lens, 0 for none.
        normal: (S, S, 3) float32 in the camera's frame (y down), on either side as the triangles turn.
    """

    solid: NDArray[np.int32]
    uv: Image
    depth: Image
    normal: Image


MIRROR = Finish(np.ones(3, np.float32), ROUGHEST_MIRROR, 1.0)
CARD = Finish(np.full(3, CARD_ALBEDO, np.float32), 0.95)
FIREFLY = 4.0
"""How many times brighter than the median of its neighbours a pixel must be to count as noise of the tracing."""
MIDDLE = np.full((1, 2), 0.5, np.float32)
NEAR, BEYOND = 0.05, 1e4
"""Distances along the lens's axis between which rays see."""
NOWHERE = -1.0
"""Texture coordinate of lamps, which have no texture."""
CLOSE = 1e-5
REACH = 1000.0
"""Half side of a cube that holds every scene; specks at its corners give all scenes the same bounds, which the tracer
compiles in."""
FAR = Mesh(
    np.array([[0, 0, 0], [0.01, 0, 0], [0, 0.01, 0]], np.float32) - [0, 0, REACH / 2],
    np.array([[0, 1, 2]], np.int32),
    np.zeros((3, 2), np.float32),
)
"""A speck out of sight that stands in where a stage shows no further body, so that every stage has as many."""


class Stage:
    """Bodies in front of a camera, ready to be pictured several times.

    All of them are one mesh under one surface (see ``atlas``), so that one compiled kernel serves every picture.
    """

    def __init__(self, solids: Sequence[Solid], world: World, camera: Mapping[str, Any], size: int) -> None:
        """Loads ``solids`` and then the world's own into one scene.

        Args:
            solids: Bodies that ``hits`` names by index; the world's follow them.
            world: Surroundings.
            camera: Pose, in the terms of a recipe's camera.
            size: Side of the pictures to be made, in pixels.
        """
        import mitsuba as mi

        gc.collect()  # what an earlier stage left would number this one's objects otherwise: see ``show``
        self._scene: Any = None
        self.camera, self.size = camera, size
        bodies = (*solids, *world.solids)
        self.count = len(bodies)
        side = ATLAS_SMALL if size <= 400 else ATLAS_LARGE
        atlas, places = lay_out((*bodies, Solid(FAR, MIRROR), Solid(FAR, CARD)), side)
        self._places = places[:-2]
        self._mirror_uv, self._card_uv = (place.laid(MIDDLE)[0] for place in places[-2:])
        self._surface = mi.load_dict(_surface(atlas))
        pieces = [
            self._placed(body.mesh, place.laid(body.mesh.uv)) for body, place in zip(bodies, self._places, strict=True)
        ]
        self._faces = np.cumsum([len(piece[1]) for piece in pieces])
        whole = _merged([*pieces, *(_speck(corner) for corner in (-REACH, REACH))])
        self._shared: dict[str, Any] = {"bodies": self._mesh(whole, {"mesh_bsdf": self._surface})}
        for index, lamp in enumerate(world.lamps):
            light = mi.load_dict({"type": "area", "radiance": {"type": "rgb", "value": list(lamp.radiance)}})
            piece = self._placed(lamp.mesh, np.full((len(lamp.mesh.vertices), 2), NOWHERE, np.float32))
            self._shared[f"lamp{index}"] = self._mesh(piece, {"mesh_emitter": light})
        self._shared["room"] = mi.load_dict(self._room(world.environment))
        self.show(None)

    def show(self, further: Mesh | None, *, mirror: bool = False) -> None:
        """Sets what stands on the stage beside its bodies, in place of what was shown before.

        Args:
            further: One more body, or None.
            mirror: A perfect mirror, else a white card of albedo ``CARD_ALBEDO``.
        """
        import mitsuba as mi

        uv = self._mirror_uv if mirror else self._card_uv
        piece = self._placed(further or FAR, np.broadcast_to(uv, (len((further or FAR).vertices), 2)))
        shapes = dict(self._shared)
        # The scene before must be gone first: the tracer numbers its objects, and compiles the numbers in.
        self._scene = None
        made = {"type": "scene", "bodies": shapes.pop("bodies")}
        made["further"] = self._mesh(piece, {"mesh_bsdf": self._surface})
        # Not optimised: merging bodies would renumber them, and ``hits`` names them by number.
        self._scene = mi.load_dict(made | shapes, optimize=False)

    def _placed(self, mesh: Mesh, uv: NDArray[np.float32]) -> Piece:
        """Vertices, triangles, uv and normals in Mitsuba's world."""
        normals = vertex_normals(mesh) if mesh.normals is None else mesh.normals
        vertices, faces = mesh.vertices, mesh.faces
        if mesh.flat:
            vertices, uv = vertices[faces.ravel()], uv[faces.ravel()]
            faces = np.arange(len(vertices), dtype=np.int32).reshape(-1, 3)
            normals = vertex_normals(Mesh(vertices, faces, uv))
        placed = to_room(vertices, self.camera) * DOWN
        # Mirroring y turns triangles inside out; turning them back keeps lamps shining the right way.
        return placed, faces[:, ::-1], uv, normals @ rotation(self.camera).T * DOWN

    @staticmethod
    def _mesh(piece: Piece, extra: Mapping[str, Any]) -> Any:
        import mitsuba as mi

        vertices, faces, uv, normals = piece
        properties = mi.Properties()
        for name, value in extra.items():
            properties[name] = value
        made = mi.Mesh(
            "bodies", len(vertices), len(faces), properties, has_vertex_normals=True, has_vertex_texcoords=True
        )
        values = mi.traverse(made)
        values["vertex_positions"] = np.ascontiguousarray(vertices, np.float32).ravel()
        values["faces"] = np.ascontiguousarray(faces).astype(np.uint32).ravel()
        values["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
        values["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
        values.update()
        return made

    def _room(self, environment: Image) -> dict[str, Any]:
        import mitsuba as mi

        turn = rotation(self.camera)
        x, y, z = (turn[:, k] * DOWN for k in range(3))
        matrix = np.eye(4)
        # Columns: images of the map's own x, y (up) and z axes.
        matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = x, z, y
        return {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(environment, np.float32)),
            "to_world": mi.ScalarTransform4f(matrix.tolist()),
        }

    def _sensor(self, size: int, samples: int, seed: int, *, lens: bool) -> Any:
        import mitsuba as mi

        camera = self.camera
        distance = float(camera["distance"])
        made: dict[str, Any] = {
            "type": "thinlens" if lens else "perspective",
            "fov_axis": "x",
            "fov": float(np.rad2deg(2 * np.arctan(1 / (float(camera["scale"]) * distance)))),
            "to_world": mi.ScalarTransform4f().look_at(origin=[0, 0, distance], target=[0, 0, 0], up=[0, 1, 0]),
            "near_clip": NEAR,
            "far_clip": BEYOND,
            "film": {
                "type": "hdrfilm", "width": size, "height": size, "pixel_format": "rgb", "component_format": "float32",
                "rfilter": {"type": "gaussian", "stddev": 0.45} if lens else {"type": "box"},
            },
            # Without jitter the one ray of a pixel goes through its middle.
            "sampler": {"type": "independent", "sample_count": samples, "seed": seed % 2**31} if lens
            else {"type": "stratified", "jitter": False, "sample_count": 1},
        }  # fmt: skip
        if not lens:
            return mi.load_dict(made)
        wanted = {
            "aperture_radius": max(float(camera.get("aperture", 0.0)), 1e-4),
            "focus_distance": distance + float(camera.get("focus_shift", 0.0)),
        }
        sensor = mi.load_dict(made | wanted)
        if not str(mi.variant()).startswith("scalar"):
            import drjit as dr

            values = mi.traverse(sensor)
            for name, value in wanted.items():  # as data, not as constants to be compiled in
                values[name] = dr.opaque(mi.Float, value)
            values.update()
        return sensor

    def picture(self, samples: int, seed: int) -> Image:
        """The linear picture of what is shown, (S, S, 3) float32."""
        import mitsuba as mi

        integrator = mi.load_dict({"type": "path", "max_depth": DEPTH, "rr_depth": 4})
        sensor = self._sensor(self.size, samples, seed, lens=True)
        made = self._rendered(sensor, integrator, samples, seed)
        return without_fireflies(np.nan_to_num(made, nan=0.0, posinf=0.0))

    def _rendered(self, sensor: Any, integrator: Any, samples: int, seed: int) -> Image:
        import mitsuba as mi

        trace: Any = mi.render  # its own types name the variant's numbers, and take plain ones
        return np.array(
            trace(self._scene, sensor=sensor, integrator=integrator, spp=samples, seed=seed % 2**31), np.float32
        )

    def hits(self, fine: int = 1) -> Hits:
        """What a pinhole's rays meet first, ``fine`` times ``fine`` a pixel; rays go through the middles of a grid.

        The further body has the index after the last of the stage's.
        """
        import mitsuba as mi

        kinds = "uv:uv,depth:depth,normal:sh_normal,triangle:prim_index"
        integrator = mi.load_dict({"type": "aov", "aovs": kinds})
        sensor = self._sensor(self.size * fine, 1, 0, lens=False)
        made = self._rendered(sensor, integrator, 1, 0)
        names = ["u", "v", "depth", "nx", "ny", "nz", "triangle"]
        planes = dict(zip(names, np.moveaxis(made[..., -len(names) :], -1, 0), strict=True))
        uv = np.stack([planes["u"], planes["v"]], -1)
        # Which mesh was met is told by the uv: the tracer's own numbers of shapes count differently on each device.
        further = np.minimum(*(np.abs(uv - at).max(-1) for at in (self._mirror_uv, self._card_uv))) < CLOSE
        solid = np.searchsorted(self._faces, np.round(planes["triangle"]).astype(np.int64), side="right")
        index = np.where(further, self.count, np.minimum(solid, self.count - 1)).astype(np.int32)
        index[(planes["depth"] <= 0) | (uv[..., 0] < NOWHERE / 2)] = -1
        for number in np.unique(index):
            if 0 <= number < self.count:
                here = index == number
                uv[here] = self._places[number].own(uv[here])
        # The tracer measures from the plane where rays begin, not from the lens.
        depth = np.where(planes["depth"] > 0, planes["depth"] + NEAR / self.rays(fine)[..., 2], 0).astype(np.float32)
        return Hits(index, uv, depth, np.stack([planes["nx"], -planes["ny"], planes["nz"]], -1))

    def rays(self, fine: int = 1) -> Image:
        """Unit vectors from what ``hits`` meets to the lens, (S, S, 3), in the camera's frame."""
        side = self.size * fine
        reach = 1 / (float(self.camera["scale"]) * float(self.camera["distance"]))
        across = ((np.arange(side, dtype=np.float32) + 0.5) / side * 2 - 1) * np.float32(reach)
        ray = np.stack(np.broadcast_arrays(-across[None, :], -across[:, None], np.float32(1)), -1)
        return np.asarray(ray / np.linalg.norm(ray, axis=-1, keepdims=True), np.float32)


def without_fireflies(picture: Image) -> Image:
    """The picture, (S, S, 3), with single pixels far brighter than all about them replaced by their median.

    Few paths find a lamp by way of a mirror; the rare one that does leaves a dot that no photo has.
    """
    middle = np.stack([cv2.medianBlur(np.ascontiguousarray(picture[..., k]), 3) for k in range(3)], -1)
    dot = picture.sum(-1) > FIREFLY * middle.sum(-1) + 1e-4
    return np.where(dot[..., None], middle, picture)


def _surface(atlas: Atlas) -> dict[str, Any]:
    import mitsuba as mi

    def texture(values: Image) -> dict[str, Any]:
        planes = values if values.ndim == 3 else values[..., None]
        return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(planes)), "raw": True, "wrap_mode": "clamp"}

    principled = {
        "type": "principled",
        "base_color": texture(atlas.albedo),
        "roughness": texture(atlas.roughness),
        "metallic": texture(atlas.metal),
        "clearcoat": texture(atlas.coat),
        "clearcoat_gloss": 0.9,
        "specular": 0.5,
    }
    return {"type": "twosided", "bsdf": {"type": "bumpmap", "arbitrary": texture(atlas.relief), "bsdf": principled}}


def _speck(corner: float) -> Piece:
    points = np.full((3, 3), corner) + np.eye(3) * -np.sign(corner) * 0.01
    return points, np.array([[0, 1, 2]]), np.full((3, 2), NOWHERE), np.tile([0.0, 0.0, 1.0], (3, 1))


def _merged(pieces: Sequence[Piece]) -> Piece:
    offsets = np.cumsum([0, *(len(piece[0]) for piece in pieces[:-1])])
    faces = [piece[1] + offset for piece, offset in zip(pieces, offsets, strict=True)]
    vertices, _, uv, normals = (np.concatenate([piece[k] for piece in pieces]) for k in (0, 1, 2, 3))
    return vertices, np.concatenate(faces), uv, normals
