"""Writes a labelled folder."""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from wearvision.labels.bare_photo import bare_photo
from wearvision.labels.folder_table import table_of
from wearvision.labels.labelled import LINES, MASKS, PHOTOS, SET, TABLE, FolderError, Labelled
from wearvision.labels.splits import SPLITS
from wearvision.labels.truth import Truth
from wearvision.standard.limits import Limits

HASH = re.compile(r"[0-9a-f]{64}")
MASK_NAME = re.compile(r"[a-z][a-z0-9_ -]{0,40}")


def write_folder(
    folder: Path,
    name: str,
    items: Iterable[Labelled],
    limits: Limits | Mapping[str, str],
    *,
    made: datetime | None = None,
) -> str:
    """Writes a labelled folder; the same items give the same hash whatever their order.

    Args:
        folder: Empty, or not there yet.
        name: Of the set.
        items: What it holds; taken one by one.
        limits: Those under which the truths were settled, or their ``id`` and ``sha256``.
        made: When; None for now.

    Returns:
        SHA-256 of ``examples.jsonl``, which names every file by its hash.

    Raises:
        FolderError: the folder is not empty, a photo comes twice, a group stands in two splits, or a name or mask
            does not fit; ``set.json`` is missing then.
        PhotoError: a photo cannot be read.
    """
    if folder.exists() and any(folder.iterdir()):
        raise FolderError(str(folder), "is not empty; choose another folder.")
    (folder / PHOTOS).mkdir(parents=True, exist_ok=True)
    lines: dict[str, dict[str, Any]] = {}
    splits: dict[str, str] = {}
    for item in items:
        _demand_sound(item, lines, splits)
        lines[item.sha256] = _written(folder, item)
    ordered = [lines[sha256] for sha256 in sorted(lines)]
    text = "".join(
        json.dumps(line, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False) + "\n"
        for line in ordered
    ).encode("utf-8")
    digest = hashlib.sha256(text).hexdigest()
    (folder / LINES).write_bytes(text)
    (folder / TABLE).write_text(table_of(ordered), "utf-8", newline="")
    known = {"id": limits.id, "sha256": limits.sha256} if isinstance(limits, Limits) else dict(limits)
    head = {
        "name": name,
        "made": (made or datetime.now(UTC)).isoformat(timespec="seconds"),
        "sha256": digest,
        "counts": _counts(ordered),
        "limits": known,
    }
    (folder / SET).write_text(json.dumps(head, ensure_ascii=False, indent=1) + "\n", "utf-8")
    return digest


def _demand_sound(item: Labelled, lines: Mapping[str, Any], splits: dict[str, str]) -> None:
    if not HASH.fullmatch(item.sha256):
        raise FolderError(LINES, f"{item.sha256!r:.80} is no SHA-256.")
    if item.sha256 in lines:
        raise FolderError(LINES, f"the photo {item.sha256} comes twice.")
    if item.split not in SPLITS:
        raise FolderError(LINES, f"the photo {item.sha256} is in no split.")
    if splits.setdefault(item.group, item.split) != item.split:
        raise FolderError(LINES, f"the group {item.group} stands in {splits[item.group]} and in {item.split}.")
    for name, mask in item.masks.items():
        if not MASK_NAME.fullmatch(name) or mask.dtype != np.bool_ or mask.ndim != 2:
            raise FolderError(LINES, f"the mask {name!r:.50} of {item.sha256} is no bool (H, W) of a known name.")


def _written(folder: Path, item: Labelled) -> dict[str, Any]:
    """Writes the files of one photo; its line."""
    bare = bare_photo(item.read_bytes())
    file = f"{PHOTOS}/{item.sha256}.{bare.ending}"
    (folder / file).write_bytes(bare.data)
    masks = {}
    for name, mask in item.masks.items():
        path = folder / MASKS / item.sha256 / f"{name}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        data = _png(mask)
        path.write_bytes(data)
        masks[name] = hashlib.sha256(data).hexdigest()
    return {
        "sha256": item.sha256,
        "file": file,
        "file_sha256": hashlib.sha256(bare.data).hexdigest(),
        "machine": item.machine,
        "group": item.group,
        "split": item.split,
        "at_random": item.at_random,
        "truth": item.truth.to_dict(),
        "labels": list(item.labels),
        "masks": masks,
    }


def _png(mask: NDArray[np.bool_]) -> bytes:
    out = io.BytesIO()
    Image.fromarray(mask.astype(np.uint8) * 255).save(out, "PNG")
    return out.getvalue()


def _counts(lines: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """How many photos in all, by split, and by part and grade."""
    held = list(lines)
    truths = [Truth.read(line["truth"]) for line in held]
    parts: dict[str, dict[str, int]] = {}
    for (part, grade), count in sorted(Counter((t.part, t.grade or "none") for t in truths).items()):
        parts.setdefault(part, {})[grade] = count
    splits = Counter(line["split"] for line in held)
    return {"photos": len(held), "splits": {split: splits[split] for split in SPLITS}, "parts": parts}


__all__ = ["HASH", "MASK_NAME", "write_folder"]
