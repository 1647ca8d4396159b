"""Which design families serve for what. Whole families are held out, so that a test sees designs never trained on."""

from __future__ import annotations

from typing import Literal

Split = Literal["train", "calibrate", "test"]
PERIOD = 6
"""Of every six families in a part's list the third calibrates and the sixth tests; the rest train."""
HELD_OUT = {2: "calibrate", 5: "test"}


def families(part: str, split: Split) -> list[str]:
    """Names of a part's families in a split; never empty, never shared between splits."""
    from wearvision_training.sketch.catalogue import entry

    names = list(entry(part).families)
    return [name for index, name in enumerate(names) if HELD_OUT.get(index % PERIOD, "train") == split]
