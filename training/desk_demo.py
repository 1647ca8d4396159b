"""Twenty returns of an invented hire company, as a parcel for ``wearvision take-returns``: drawn photos and a table."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from wearvision.parts import PARTS
from wearvision.return_numbers import with_check_digits
from wearvision.return_tag_print import (
    MARKER_MM,
    MARKERS_MM,
    PATCH_MM,
    PATCHES_MM,
    QR_AT_MM,
    QR_MM,
    TAG_MM,
    marker_bits,
    qr_modules,
)
from wearvision.standard.grades import GRADES
from wearvision.standard.limits import load_limits
from wearvision.standard.views import WantedView, wanted_views
from wearvision_training import studio
from wearvision_training.dataset import truth_of
from wearvision_training.families import families
from wearvision_training.recipe import Recipe

PLAN = Path(__file__).parent / "recipes" / "desk-demo.toml"
SIDE = 900
TAG_PX_PER_MM = 4.6
QUALITY = 90
MOST_TRIES = 400
DAYS = ("installed_on", "failed_on", "returned_on")

Pixels = NDArray[np.uint8]


def parcel(out: Path, year: int, seed: int) -> Iterator[str]:
    """Writes table and photos; gives the name of each return as it is done.

    Args:
        out: Folder, made.
        year: Of the return numbers on the tags: those that an empty desk gives out that year.
        seed: All chance comes from it.
    """
    plan = tomllib.loads(PLAN.read_text("utf-8"))
    out.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    for count, one in enumerate(plan["return"], 1):
        number = with_check_digits(f"{year % 100:02d}{count:05d}")
        taken = datetime.fromisoformat(one["days"][2]) + timedelta(hours=9, minutes=7 * count)
        names = {}
        for wanted in _views(one):
            name = f"{count:02d}-{wanted.key}.jpg"
            picture = _picture(one, wanted, out, np.random.default_rng([seed, count, *wanted.key.encode()]))
            if picture is not None:
                recycled = one["shots"].get(wanted.key, "").startswith("same:")  # the tag of the other return is in it
                _save(out / name, picture if recycled else _with_tag(picture, number, seed + count), taken)
                names[wanted.key] = name
        rows.append(
            _claim(plan["claim"], one) | {"photos": "; ".join(f"{view}={file}" for view, file in names.items())}
        )
        yield number
    with (out / "returns.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)


def _views(one: Mapping[str, Any]) -> list[WantedView]:
    shots = one["shots"]
    return [wanted for wanted in wanted_views(one["part"]) if wanted.key in shots or not wanted.graded]


def _claim(common: Mapping[str, Any], one: Mapping[str, Any]) -> dict[str, Any]:
    own = {name: one[name] for name in ("part", "part_number", "lot", "machine", "claimed", "story", "value_minor")}
    hours = dict(zip(("hours_installed", "hours_failed"), one["hours"], strict=True))
    return {**own, **hours, **dict(zip(DAYS, one["days"], strict=True)), **common, "kept_where": "Shelf 4"}


def _picture(one: Mapping[str, Any], wanted: WantedView, out: Path, rng: np.random.Generator) -> Pixels | None:
    """What a wanted photo shows; None for one that the claimant did not send."""
    if not wanted.graded:
        return _words(one, wanted, rng)
    shows = one["shots"][wanted.key]
    if shows.startswith("same:"):
        number, view = shows.removeprefix("same:").split("/")
        old = np.asarray(Image.open(out / f"{int(number):02d}-{view}.jpg"))
        smaller = cv2.resize(old, None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA)
        return np.clip(smaller.astype(np.float32) * 1.12, 0, 255).astype(np.uint8)
    part = shows.removeprefix("part:") if shows.startswith("part:") else one["part"]
    view = wanted.view if wanted.view in PARTS[part].views else PARTS[part].views[0]
    mode = "new" if shows.startswith("part:") else shows
    return studio.draw(_recipe(part, view, mode, rng), SIDE).image


def _recipe(part: str, view: str, mode: str, rng: np.random.Generator) -> Recipe:
    """A picture by chance in which one mode alone is past its limit, or none.

    Raises:
        LookupError: none within ``MOST_TRIES``.
    """
    limits = load_limits()
    measures = {one.measure: one.key for one in PARTS[part].modes}
    for _ in range(MOST_TRIES):
        recipe = studio.sample_recipe(part, rng, families=families(part, "train"), view=view)
        seen = truth_of(studio.draw(recipe, 96))["measures"]
        worn = {measures[name] for name, value in seen.items() if limits.row(part, name).grade_of(value) != GRADES[0]}
        if worn == ({mode} if mode != "new" else set()):
            return recipe
    raise LookupError(f"no {part} from the {view} with {mode} alone in {MOST_TRIES} tries")


def _words(one: Mapping[str, Any], wanted: WantedView, rng: np.random.Generator) -> Pixels:
    """A board on some bench, with what the photo for the record would show: plate, hour meter, housing."""
    rough = rng.normal(0, 1, (9, 9, 3)) * rng.uniform(8, 30) + rng.uniform(70, 150, 3)
    fine = rng.normal(0, 1, (SIDE, SIDE, 1)) * rng.uniform(2, 7)
    board = np.clip(cv2.resize(rough, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC) + fine, 0, 255).astype(np.uint8)
    x, y = (int(value) for value in rng.integers(-60, 60, 2))
    shade = int(rng.integers(150, 215))
    cv2.rectangle(board, (120 + x, 260 + y), (780 + x, 600 + y), (shade, shade, shade), -1)
    cv2.rectangle(board, (120 + x, 260 + y), (780 + x, 600 + y), (40, 44, 48), int(rng.integers(2, 9)))
    text = {"plate": one["machine"], "hour-meter": f"{one['hours'][1]:07.1f} h"}.get(wanted.key, one["part_number"])
    cv2.putText(board, text, (170 + x, 470 + y), cv2.FONT_HERSHEY_SIMPLEX, 3.0, (24, 26, 28), 9, cv2.LINE_AA)
    cv2.putText(
        board, wanted.title[:28], (150 + x, 330 + y), cv2.FONT_HERSHEY_SIMPLEX, 1.0, (60, 62, 66), 2, cv2.LINE_AA
    )
    return board


@cache
def _tag(number: str) -> Pixels:
    """The return tag as a grey picture."""
    scale = TAG_PX_PER_MM * 2

    def box(corner: tuple[float, float], width: float, height: float) -> tuple[slice, slice]:
        x, y = (round(value * scale) for value in corner)
        return slice(y, y + round(height * scale)), slice(x, x + round(width * scale))

    tag: Pixels = np.full((round(TAG_MM[1] * scale), round(TAG_MM[0] * scale)), 235, np.uint8)
    squares = {corner: (marker_bits(marker), MARKER_MM) for marker, corner in MARKERS_MM.items()}
    squares[QR_AT_MM] = (~qr_modules(number), QR_MM)
    for corner, (white, side) in squares.items():
        place = box(corner, side, side)
        shape = tag[place].shape[::-1]
        tag[place] = cv2.resize(np.where(white, 235, 20).astype(np.uint8), shape, interpolation=cv2.INTER_NEAREST)
    for code, corner in PATCHES_MM.items():
        tag[box(corner, *PATCH_MM)] = code
    cv2.putText(tag, number, (round(49 * scale), round(21 * scale)), cv2.FONT_HERSHEY_SIMPLEX, 1.3, 20, 3, cv2.LINE_AA)
    return tag


def _with_tag(picture: Pixels, number: str, seed: int) -> Pixels:
    """The picture with more bench to its right, on which the tag lies, slightly askew."""
    rng = np.random.default_rng(seed)
    height, width = picture.shape[:2]
    room = round((TAG_MM[0] + 14) * TAG_PX_PER_MM)
    edge = cv2.GaussianBlur(picture[:, -8:].mean(axis=1, keepdims=True).astype(np.float32), (1, 61), 0)
    bench = np.repeat(edge, room, axis=1) + rng.normal(0, 3, (height, room, 1))
    out = np.concatenate([picture, np.clip(bench, 0, 255).astype(np.uint8)], axis=1)
    tag = _tag(number)
    bright = min(1.0, float(np.percentile(picture, 80)) / 190 + 0.25)
    low, left = height - TAG_MM[1] * TAG_PX_PER_MM - 40, width + 7 * TAG_PX_PER_MM
    size = np.array(TAG_MM) * TAG_PX_PER_MM
    corners = np.array([[left, low], [left + size[0], low], [left + size[0], low + size[1]], [left, low + size[1]]])
    corners += rng.uniform(-9, 9, (4, 2))
    source = np.array([[0, 0], [tag.shape[1], 0], [tag.shape[1], tag.shape[0]], [0, tag.shape[0]]], np.float32)
    turn = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    where = (out.shape[1], out.shape[0])
    laid = cv2.warpPerspective(tag, turn, where, flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full_like(tag, 255), turn, where, flags=cv2.INTER_AREA)[..., None] / 255
    mixed = out * (1 - mask) + bright * laid[..., None].astype(np.float32) * mask
    return np.clip(mixed, 0, 255).astype(np.uint8)


def _save(path: Path, picture: Pixels, taken: datetime) -> None:
    exif = Image.Exif()
    stamp = taken.strftime("%Y:%m:%d %H:%M:%S")
    exif[0x0132] = stamp
    exif.get_ifd(0x8769)[0x9003] = stamp
    Image.fromarray(picture).save(path, quality=QUALITY, exif=exif)


@click.command("desk-demo")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write.")
@click.option("--year", type=int, default=lambda: datetime.now().year, help="Of the numbers on the tags; this year.")
@click.option("--seed", type=int, default=5, show_default=True)
def desk_demo(out: Path, year: int, seed: int) -> None:
    """Draws twenty returns to try the returns desk, with their table."""
    for number in parcel(out, year, seed):
        click.echo(number)
