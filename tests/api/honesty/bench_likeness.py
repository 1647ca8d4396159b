"""Recall of edited copies and false alarms among different parts of one design on one bench.

``python -m pytest -m bench -s tests/api/honesty/bench_likeness.py``; drawing takes ten minutes on one core, the rest as
long. ``WEARVISION_BENCH_PICTURES`` names a folder in which drawn pictures are kept for another time,
``WEARVISION_BENCH_GROUPS`` how many groups are drawn (40).

A pair counts as an alarm as the desk counts it: at least two shared details by the index's rule, then laid over each
other. Intervals are those of Clopper and Pearson, 95 %, by SciPy.
"""

from __future__ import annotations

import json
import os
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import cv2
import imagehash
import numpy as np
import pytest
import skimage
import sklearn
from PIL import Image
from scipy.stats import binomtest

from wearvision_api.honesty.check import see
from wearvision_api.honesty.details import mark
from wearvision_api.honesty.index import KEPT, LEAST_SHARED
from wearvision_api.honesty.overlay import Sheet
from wearvision_api.honesty.picture import normal_picture, pack, unpack

from .benches import group
from .edits import EDITS, anyhow

LEAST_PX = 64
"""Short side of the smallest photo that the service takes."""
CHANCE = 3
"""Copies of each photograph with all edits by chance."""
HASH_LIMIT = 10
"""Bits of 64 that are commonly called similar (handbook, section 8)."""

pytestmark = pytest.mark.bench
_CARRIED = (Path(skimage.__file__).parent / "data", Path(sklearn.__file__).parent / "datasets" / "images")
_PHOTOGRAPHS = [
    "astronaut", "brick", "camera", "cell", "chelsea", "clock_motion", "coffee", "coins", "grass", "gravel",
    "ihc", "moon", "motorcycle_left", "retina", "rocket", "china", "flower",
]  # fmt: skip


@dataclass(frozen=True)
class Look:
    """A picture as it is kept, with its marks as the index holds and looks them up."""

    picture: np.ndarray
    kept: frozenset[int]
    probes: np.ndarray

    @classmethod
    def of(cls, image: np.ndarray) -> Look:
        picture = unpack(pack(normal_picture(image)))
        marked = mark(picture)
        return cls(picture, frozenset(marked.marks[:KEPT].tolist()), marked.probes())

    def shares(self, earlier: Look) -> bool:
        """Whether the index would put the earlier one forward."""
        hits = sum(not earlier.kept.isdisjoint(row) for row in self.probes.tolist())
        return hits >= LEAST_SHARED


def alarm(earlier: Look, later: Look, sheet: Sheet | None = None) -> bool:
    """Whether the later photo is held for a copy of the earlier one."""
    return later.shares(earlier) and (sheet or Sheet.of(later.picture)).over(earlier.picture).same


def figures(hits: int, of: int) -> dict[str, object]:
    """A share with its interval."""
    hits = int(hits)  # sums of NumPy's truths are no plain numbers
    low, high = binomtest(hits, of).proportion_ci(method="exact")
    return {"hits": hits, "of": of, "share": round(hits / of, 5), "low": round(low, 6), "high": round(high, 6)}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, np.ndarray]]:
    """Groups of pictures by name."""
    kept = os.environ.get("WEARVISION_BENCH_PICTURES")
    folder = Path(kept) if kept else tmp_path_factory.mktemp("pictures")
    return [dict(_group(folder, number)) for number in range(int(os.environ.get("WEARVISION_BENCH_GROUPS", "40")))]


def _group(folder: Path, number: int) -> Iterator[tuple[str, np.ndarray]]:
    last = folder / f"{number:02}-again-near.png"
    if not last.exists():
        for name, image in group(number):
            Image.fromarray(image).save(folder / f"{number:02}-{name}.png", compress_level=1)
    for path in sorted(folder.glob(f"{number:02}-*.png")):
        yield path.stem[3:], np.asarray(Image.open(path))


def photographs() -> Iterator[tuple[str, np.ndarray]]:
    """Those that packages carry, but for drawings, scans of text, the smallest, and a night sky."""
    for path in sorted(path for folder in _CARRIED for path in folder.glob("*.[jp][pn]g")):
        if path.stem in _PHOTOGRAPHS:
            yield path.stem, cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)


def copies(image: np.ndarray, rng: np.random.Generator) -> Iterator[tuple[str, np.ndarray]]:
    """Edited copies that the service would take, by the edit's name."""
    made = [(name, edit(image)) for name, edit in EDITS.items()]
    made += [("all by chance", anyhow(image, rng)) for _ in range(CHANCE)]
    return ((name, copy) for name, copy in made if min(copy.shape[:2]) >= LEAST_PX)


def test_recall_of_edited_copies(drawn: list[dict[str, np.ndarray]]) -> None:
    rng = np.random.default_rng(8)
    found: dict[str, list[tuple[str, bool, bool]]] = defaultdict(list)
    sources = []
    for number, pictures in enumerate(drawn):
        name = ("fixed-0", "near-1", "free-2")[number % 3]
        sources.append(("drawn parts", f"{number}-{name}", pictures[name]))
    sources += [("photographs", name, image) for name, image in photographs()]
    for source, name, image in sources:
        earlier, hashed = Look.of(image), imagehash.phash(Image.fromarray(image))
        for edit, copy in copies(image, rng):
            seen = alarm(earlier, Look.of(copy))
            known = hashed - imagehash.phash(Image.fromarray(copy)) <= HASH_LIMIT
            found[f"{source}, {'by chance' if 'chance' in edit else 'one edit'}"].append((edit, seen, known))
            if not seen:
                print("missed:", source, name, edit)
        print("so far", {kind: f"{sum(seen for _, seen, _ in rows)} of {len(rows)}" for kind, rows in found.items()})
    for kind, rows in found.items():
        hash_alone = figures(sum(known for *_, known in rows), len(rows))
        print(json.dumps({"kind": kind, **figures(sum(seen for _, seen, _ in rows), len(rows)), "phash": hash_alone}))
        for edit in dict.fromkeys(edit for edit, *_ in rows):
            some = [seen for name, seen, _ in rows if name == edit]
            print(f"    {edit}: {sum(some)} of {len(some)}")
    every = [seen for rows in found.values() for _, seen, _ in rows]
    print(json.dumps({"kind": "all", **figures(sum(every), len(every))}))
    assert np.mean(every) >= 0.98


def test_false_alarms_among_different_parts(drawn: list[dict[str, np.ndarray]]) -> None:
    counts: dict[str, list[bool]] = defaultdict(list)
    looks = [
        (number, name, Look.of(image))
        for number, pictures in enumerate(drawn)
        for name, image in pictures.items()
        if not name.startswith("again")
    ]
    sheets = {place: Sheet.of(look.picture) for place, (_, _, look) in enumerate(looks)}
    hashes = [imagehash.phash(Image.fromarray(drawn[number][name])) for number, name, _ in looks]
    of_hash: dict[str, list[bool]] = defaultdict(list)
    for one, two in combinations(range(len(looks)), 2):
        (group_1, name_1, earlier), (group_2, name_2, later) = looks[one], looks[two]
        kind = "other design or bench"
        if group_1 == group_2:
            kind = " and ".join(sorted({name_1[:-2], name_2[:-2]}))
            kind += ", same wear in another grain" if {name_1, name_2} == {"fixed-0", "fixed-1"} else ""
        counts[kind].append(alarm(earlier, later, sheets[two]))
        of_hash[kind].append(hashes[one] - hashes[two] <= HASH_LIMIT)
        if counts[kind][-1]:
            print("alarm:", group_1, name_1, group_2, name_2)
    for kind, rows in sorted(counts.items()):
        print(json.dumps({"kind": kind, **figures(sum(rows), len(rows)), "phash": int(sum(of_hash[kind]))}))
    every = [row for rows in counts.values() for row in rows]
    print(json.dumps({"kind": "all", **figures(sum(every), len(every))}))
    for again in ("again-fixed", "again-near"):
        taken = [alarm(Look.of(pictures["fixed-0"]), Look.of(pictures[again])) for pictures in drawn]
        print(json.dumps({"kind": f"the same part taken again, {again[6:]}", **figures(sum(taken), len(taken))}))
    by_hand = [row for kind, rows in counts.items() if not kind.startswith("fixed") or "near" in kind for row in rows]
    assert np.mean(by_hand) <= 1e-3


def test_size_of_what_is_kept(drawn: list[dict[str, np.ndarray]]) -> None:
    sizes = []
    for pictures in drawn:
        for image in list(pictures.values())[:3]:
            data = cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR))[1].tobytes()
            sizes.append(len(see(data).picture) + 4 * KEPT)
    print(json.dumps({"kept_bytes_median": int(np.median(sizes)), "most": max(sizes)}))
    assert max(sizes) <= 8000
