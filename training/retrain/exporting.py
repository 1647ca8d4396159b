"""From weights to a model folder without calibration, once both runtimes agree on the site's own photos."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from wearvision.network import Window, square_crop
from wearvision_training.export import export
from wearvision_training.finding.export import take_finder
from wearvision_training.network import WearNetwork
from wearvision_training.retrain.glimpses import read_picture
from wearvision_training.retrain.material import Seeing, Site, photo_of
from wearvision_training.retrain.progress import Progress
from wearvision_training.school.weights import save_weights

PARITY_PICTURES = 16


def exported(network: WearNetwork, folder: Path, name: str, site: Site, seeing: Seeing, progress: Progress) -> Path:
    """The model folder; whole, or as an earlier start left it.

    Args:
        network: Trained.
        folder: To be made.
        name: Id of the model.
        site: Whose photos both runtimes look at.
        seeing: Knows the squares of the photos, and the size of the network's input.
        progress: Told of it.

    Raises:
        ParityError: the runtimes disagree.
    """
    if not (folder / "model.json").is_file():
        progress.step("export", 0, 1, "exporting, and checking that both runtimes agree")
        draft = folder.with_name(folder.name + ".part")
        shutil.rmtree(draft, ignore_errors=True)
        some = site.train[:PARITY_PICTURES]
        windows = [Window(*one.window) for one in seeing.photos(some, 0)]
        pictures = [read_picture(photo_of(item)) for item in some]
        squares = [square_crop(*pair, seeing.size) for pair in zip(pictures, windows, strict=True)]
        export(network, draft, model_id=name, size=seeing.size, pictures=np.stack(squares))
        save_weights(network, draft / "weights.safetensors", seeing.size)
        take_finder(seeing.base, draft)
        shutil.rmtree(folder, ignore_errors=True)
        draft.replace(folder)
    progress.step("export", 1, 1, "exported")
    return folder
