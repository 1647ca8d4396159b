"""Features of photos by the model in use: costly to make, so kept beside the model's hash."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from wearvision.errors import PhotoError
from wearvision.grade import Grader
from wearvision_api.house import House
from wearvision_api.store.teaching_tables import FeatureRow

KEPT_AS = np.dtype("<f2")
AT_ONCE = 500
"""Hashes in one question: databases limit how many values it may carry."""


@dataclass(frozen=True, slots=True)
class Made:
    """What was made: how many photos were looked at, how many are still to do, and hashes that cannot be read."""

    looked_at: int
    left: int
    unreadable: tuple[str, ...]


def make(house: House, grader: Grader, digests: Sequence[str], *, seconds: float | None = None) -> Made:
    """Makes the features that are not there yet; what was made is kept, also where it stops half-way.

    Nothing is locked meanwhile: each photo is a short transaction of its own.

    Args:
        house: The running service.
        grader: Whose features.
        digests: SHA-256 of photos.
        seconds: For how long, at most; None: until all are done.
    """
    wanted = list(dict.fromkeys(digests))
    with house.session(writes=False) as session:
        there = kept(session, grader.model_sha256, wanted)
    waiting = [digest for digest in wanted if digest not in there]
    unreadable, done, begun = [], 0, time.monotonic()
    for digest in waiting:
        if seconds is not None and time.monotonic() - begun > seconds:
            break
        done += 1
        try:
            features = house.work.run(partial(_look, house, grader, digest))
        except (PhotoError, OSError):
            unreadable.append(digest)
            continue
        row = FeatureRow(sha256=digest, model=grader.model_sha256, features=features.astype(KEPT_AS).tobytes())
        try:
            with house.session() as session:
                session.add(row)
                session.commit()
        except IntegrityError:
            continue  # another process made the same meanwhile
    return Made(done, len(waiting) - done, tuple(unreadable))


def _look(house: House, grader: Grader, digest: str) -> NDArray[np.float32]:
    return grader.features(house.blobs.get(digest))


def kept(session: Session, model: str, digests: Iterable[str]) -> dict[str, NDArray[np.float32]]:
    """Features that are there, by the photo's SHA-256.

    Args:
        session: For reading.
        model: SHA-256 of the model's graph.
        digests: SHA-256 of photos.
    """
    wanted = list(digests)
    found = {}
    for place in range(0, len(wanted), AT_ONCE):
        some = wanted[place : place + AT_ONCE]
        query = select(FeatureRow).where(FeatureRow.model == model, FeatureRow.sha256.in_(some))
        for row in session.scalars(query):
            found[row.sha256] = np.frombuffer(row.features, KEPT_AS).astype(np.float32)
    return found
