"""The labelled folder: a set of photos with their truth in open forms, to keep, to hand on and to train on.

::

    set.json         {"name", "made", "sha256", "counts", "limits"}; the hash is that of ``examples.jsonl``
    examples.jsonl   one line a photo: its truth, labels and split, and the hashes of its files
    examples.csv     the same, flat, for a spreadsheet
    photos/          <sha256>.<ending>, the same picture without what says where and with what it was taken
    masks/           <sha256>/<region or mark>.png, 8 bits, 0 or 255, upright

A folder made by hand needs ``examples.csv`` (``file`` and ``part``; ``machine``, ``view``, ``grade`` and measures where
known) and ``photos/`` only. Other files in a folder are left alone.
"""

from __future__ import annotations

from wearvision.labels.folder_in import read_folder
from wearvision.labels.folder_out import write_folder
from wearvision.labels.labelled import LINES, MASKS, PHOTOS, SET, TABLE, FolderError, Labelled, LabelledSet

__all__ = [
    "LINES",
    "MASKS",
    "PHOTOS",
    "SET",
    "TABLE",
    "FolderError",
    "Labelled",
    "LabelledSet",
    "read_folder",
    "write_folder",
]
