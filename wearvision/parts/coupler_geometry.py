"""Geometry of the drive coupler: a scene in, an outcome for each measure out."""

from __future__ import annotations

import cv2
import numpy as np

from wearvision.measure.centre_line import bow_ratio
from wearvision.measure.corners import corner_rounding, tooth_loss
from wearvision.measure.cover import cover_ratio
from wearvision.measure.cracks import crack_ratio
from wearvision.measure.ellipse import fit_ellipse
from wearvision.measure.profile import Frame, frame_of, profile_deviation, seen_outline
from wearvision.measure.regions import border_points
from wearvision.measure.result import Outcome, Reason, Unmeasured
from wearvision.measure.socket import Kind, Socket, read_socket
from wearvision.parts.spec import Mask, Scene
from wearvision.steps import Step

CRACK_FLOOR, CRACK_PLAIN = 0.10, 0.30
"""The wear standard's detection floor, and the ratio that counts however coarse the picture is."""


def measure(scene: Scene) -> dict[str, Outcome]:
    """Geometry of an end (outline, drive corners, teeth, crack) or of a side (bow, crack), and grime cover."""
    found: dict[str, Outcome] = {}
    with Step("grime"):
        found["grime_ratio"] = cover_ratio(scene.mask("grime"), scene.mask("part"))
    found |= _end(scene) if scene.view == "end" else _side(scene)
    return found


def _end(scene: Scene) -> dict[str, Outcome]:
    """Measures of an end. Which of the two for the drive is there follows from the socket's kind."""
    face = scene.soft("face")
    tilt: Frame | None = None
    wall: float | None = None
    with Step("face"):
        outline = seen_outline(face)
        ellipse = fit_ellipse(outline, robust=True) if not isinstance(outline, Unmeasured) else None
    if ellipse is not None:
        tilt = frame_of(ellipse, known=False)
        bore = float(np.sqrt(np.count_nonzero(scene.mask("socket")) / np.pi))
        wall = float(np.sqrt(ellipse.major * ellipse.minor)) - bore if bore > 0 else None
    with Step("socket"):
        socket = read_socket(scene.soft("socket"), tilt)
    cue = socket.frame if isinstance(socket, Socket) else None
    reference = scene.reference
    new = reference.soft("face") if reference is not None and reference.view == "end" else None
    found: dict[str, Outcome] = {}
    with Step("profile"):
        found["profile_deviation"] = profile_deviation(face, frame=cue, reference=new)
    with Step("crack"):
        thick = wall if wall and wall > 0 else None
        found["crack_ratio"] = crack_ratio(scene.mask("crack"), thick, floor=CRACK_FLOOR, plain=CRACK_PLAIN)
    if isinstance(socket, Unmeasured):
        return found | {"corner_rounding": socket, "tooth_loss": socket}
    if socket.kind is Kind.SPLINED:
        first = read_socket(reference.soft("socket")) if reference is not None and reference.view == "end" else None
        found["tooth_loss"] = tooth_loss(socket, reference=first if isinstance(first, Socket) else None)
        found["corner_rounding"] = Unmeasured(Reason.NOT_IN_VIEW, "This drive has teeth, no corners.")
    else:
        with Step("corners"):
            found["corner_rounding"] = corner_rounding(socket)
        found["tooth_loss"] = Unmeasured(Reason.NOT_IN_VIEW, "This drive has no teeth.")
    return found


def _side(scene: Scene) -> dict[str, Outcome]:
    """Measures of a side."""
    found: dict[str, Outcome] = {}
    with Step("bow"):
        found["bow_ratio"] = bow_ratio(scene.soft("part"))
    with Step("crack"):
        wide = _diameter(scene.mask("part"))
        found["crack_ratio"] = crack_ratio(scene.mask("crack"), wide, floor=CRACK_FLOOR, plain=CRACK_PLAIN)
    return found


def _diameter(part: Mask) -> float | None:
    """Mean width of the part in pixels across its long axis, None where there is no part."""
    count = int(np.count_nonzero(part))
    if count < 3:
        return None
    _, sides, _ = cv2.minAreaRect(border_points(part)[:, ::-1].astype(np.float32))
    return count / (max(sides) + 1)
