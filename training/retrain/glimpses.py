"""What the unchanged part of a network gives for a picture, once and for all trainings of heads upon it.

Grading looks at the whole photo and then closer; both looks are kept, the closer one also where the base takes the
part for something else, since a retrained model may know better. Changed copies, in other framing and light, are
looked at as grading would. Works in worker processes; each photo's file is whole or not there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearvision.errors import PhotoError
from wearvision.look import Look, closer_window
from wearvision.network import ModelFolder, Network, Window, square_crop, whole
from wearvision.photo import read_photo
from wearvision.return_tag_cover import without_tags
from wearvision_training.retrain.progress import Failed
from wearvision_training.retrain.store import read_arrays, write_arrays

Square = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Task:
    """A picture to look at.

    Attributes:
        model: Folder of the base model.
        file: Where what was seen is kept.
        picture: Its photo, or the picture itself, RGB uint8.
        copies: How many changed copies are looked at too.
        seed: Of the changes.
    """

    model: str
    file: Path
    picture: Path | Square
    copies: int
    seed: int


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What was seen of a picture.

    Attributes:
        first: (D,) features of the look at the whole.
        judged: (1 + copies, D) features of the look that a grade would come from, then of that of each copy.
        closer: Whether that is a closer look; else it is the first.
        window: Row, column and side of the judged square in the photo.
    """

    first: NDArray[np.float32]
    judged: NDArray[np.float32]
    closer: bool
    window: tuple[int, int, int]


def see(task: Task) -> Path:
    """Looks at a picture, unless what was seen is kept already; returns where.

    Raises:
        Failed: the photo cannot be read.
    """
    kept = kept_glimpse(task)
    if kept is not None:
        return task.file
    network = _network(task.model)
    image = read_picture(task.picture) if isinstance(task.picture, Path) else task.picture
    first, window = _look(network, image, whole(image.shape))
    near = network.find(image) or closer_window(first)
    judged = [window if near is None else network.with_features(square_crop(image, near, network.size))[1]]
    where = near or first.window
    square = square_crop(image, where, network.size)
    judged += [_copy_features(network, square, [task.seed, number]) for number in range(task.copies)]
    write_arrays(
        task.file,
        {
            "first": window,
            "judged": np.stack(judged),
            "closer": np.array(near is not None),
            "window": np.array([where.row, where.col, where.side]),
        },
    )
    return task.file


def kept_glimpse(task: Task) -> Glimpse | None:
    """What is kept of a task; None where it has not been done, or with fewer copies."""
    held = read_arrays(task.file)
    if held is None or len(held["judged"]) < 1 + task.copies:
        return None
    row, col, side = (int(number) for number in held["window"])
    return Glimpse(held["first"], held["judged"][: 1 + task.copies], bool(held["closer"]), (row, col, side))


def glimpses(tasks: Sequence[Task]) -> Iterator[Glimpse]:
    """What is kept of tasks that were done.

    Raises:
        Failed: one was not.
    """
    for task in tasks:
        found = kept_glimpse(task)
        if found is None:
            raise Failed(f"{task.file} is gone; start again.")
        yield found


def read_picture(file: Path) -> Square:
    """A photo as grading sees it: at working size, return tags laid over.

    Raises:
        Failed: it cannot be read.
    """
    try:
        return without_tags(read_photo(file).image)
    except PhotoError as error:
        raise Failed(f"The photo {file.name} cannot be read: {error}") from error


@lru_cache(maxsize=2)
def _network(folder: str) -> Network:
    return Network(ModelFolder.open(folder))


def _look(network: Network, image: Square, window: Window) -> tuple[Look, NDArray[np.float32]]:
    square = square_crop(image, window, network.size)
    sighting, features = network.with_features(square)
    everything = slice(0, network.size)
    return Look(square, window, sighting, (everything, everything)), features


def _copy_features(network: Network, square: Square, seed: Sequence[int]) -> NDArray[np.float32]:
    """Features of a changed copy of the judged square, framed a little wider or closer as training frames parts."""
    import torch

    from wearvision_training.heads import changed

    chance = torch.Generator().manual_seed(int(np.random.default_rng(list(seed)).integers(2**62)))
    return network.with_features(changed(square, chance))[1]
