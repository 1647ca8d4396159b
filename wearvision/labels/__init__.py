"""What a person says of a photo, what their marks measure, and what several of them settle as the truth."""

from __future__ import annotations

from wearvision.labels.bounds import AtLeast, Bound, at_least, bounds
from wearvision.labels.evidence import Evidence, of_pair, of_reading
from wearvision.labels.folder import FolderError, Labelled, LabelledSet, read_folder, write_folder
from wearvision.labels.label import Asked, Label, LabelError, Shape, asked
from wearvision.labels.settling import differences, settle
from wearvision.labels.splits import SPLITS, Split, group_of, split_of
from wearvision.labels.truth import RANKS, Difference, Dispute, Given, Rank, Truth

__all__ = [
    "RANKS",
    "SPLITS",
    "Asked",
    "AtLeast",
    "Bound",
    "Difference",
    "Dispute",
    "Evidence",
    "FolderError",
    "Given",
    "Label",
    "LabelError",
    "Labelled",
    "LabelledSet",
    "Rank",
    "Shape",
    "Split",
    "Truth",
    "asked",
    "at_least",
    "bounds",
    "differences",
    "group_of",
    "of_pair",
    "of_reading",
    "read_folder",
    "settle",
    "split_of",
    "write_folder",
]
