"""The whole of a training, stage by stage; what a stage made lies on disk, so that the same call goes on."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.errors import WearvisionError
from wearvision.parts import PARTS
from wearvision_training.dataset import PictureSet
from wearvision_training.export import ParityError
from wearvision_training.retrain import drawn, figures, judging
from wearvision_training.retrain.card import card
from wearvision_training.retrain.config import Config, Report
from wearvision_training.retrain.exporting import exported
from wearvision_training.retrain.hands import Hands
from wearvision_training.retrain.learning import Learner
from wearvision_training.retrain.material import Base, Site, open_base, photo_of, read_site
from wearvision_training.retrain.progress import Failed, Progress, Stopped
from wearvision_training.retrain.site_calibration import Held, exact, recalibrated
from wearvision_training.retrain.store import bind, locked, read_json, write_bytes, write_json
from wearvision_training.school.stopping import asked_to_stop

PARITY_PICTURES = 16
Square = NDArray[np.uint8]


def retrain(config: Config, *, echo: Callable[[str], None] | None = None) -> Report:
    """Trains a model again on a site's labelled photos, calibrates it and compares it with the one it came from.

    ``config.out`` gets ``progress.jsonl``, ``model/`` and ``report.json``; until they are there the same call goes on
    with what an earlier one had done.

    Args:
        config: See ``Config``.
        echo: Told of each line of progress; None for nobody.

    Returns:
        What ``report.json`` holds.

    Raises:
        Stopped: someone asked to stop, by a file ``stop`` in ``config.out`` or a signal.
        Failed: it cannot go on; the message says why in one sentence.
    """
    try:
        config.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Failed(f"The folder {config.out} cannot be made: {error.strerror}.") from error
    with locked(config.out), asked_to_stop() as asked:
        progress = Progress(config.out, asked, echo)
        try:
            with Hands(config.hands) as hands:
                training = _Training(config, progress, hands)
                try:
                    return training.go()
                finally:
                    with suppress(OSError):  # what failed says more than that this could not be written
                        training.account()
        except Stopped:
            progress.stopped()
            raise
        except Exception as error:
            why = _sentence(error)
            progress.failed(why)
            raise Failed(why) from error


def _sentence(error: Exception) -> str:
    """Why it failed, for a person."""
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        return "There is no room left on the disk; make some and start again."
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename or 'A file'}: {error.strerror}."
    if isinstance(error, Failed | WearvisionError | ParityError):
        return str(error)
    if isinstance(error, MemoryError):
        return "There is not enough memory; close other programs or take fewer drawn pictures."
    return f"An error that was not foreseen, {type(error).__name__}: {str(error).splitlines()[0] if str(error) else ''}"


class _Training:
    """One start of a training."""

    def __init__(self, config: Config, progress: Progress, hands: Hands) -> None:
        self.config, self.progress, self.hands = config, progress, hands
        self.work = config.out / "work"

    def go(self) -> Report:
        """All stages."""
        load = os.getloadavg()[0]
        self.progress.step("reading", 0, 1, "reading the labelled folder")
        site, base = read_site(self.config), open_base(self.config.base)
        bind(self.work / "settings.json", self._settings(site, base))
        photos = len(site.train) + len(site.calibrate) + len(site.test)
        self.progress.step("reading", photos, photos, f"{photos} photos")
        if (done := read_json(self.config.out / "report.json")) and (self.config.out / "model").is_dir():
            made: Report = done
            return made
        learner = Learner(self.config, site, base, self.hands, self.progress, self.work)
        network, how = learner.learn()
        folder = exported(network, self.work / "exported", self.config.id, site, learner.seeing, self.progress)
        parity = read_json(folder / "model.json")["parity"]
        calibration = self._calibrated(folder, site, base)
        report = self._compared(folder, calibration, site, base)
        report["told"] = {
            "seconds": self.account(),
            "photos": {"train": len(site.train), "calibrate": len(site.calibrate), "test": len(site.test)},
            "drawn": {
                "replay": self.config.replay_count,
                "check": self.config.check_count,
                "synthetic": self.config.synthetic_count,
            },
            "replay": self.config.replay_count,
            "device": learner.device.type,
            "workers": self.config.hands,
            "load_at_start": round(load, 2),
            "seed": self.config.seed,
            "stage": self.config.stage,
            "how": how,
            "parity": parity,
            "set": {"name": site.name, "sha256": site.sha256},
            "limits": {"id": site.limits.id, "sha256": site.limits.sha256},
            "macro_f1": "a photo that was turned away counts as wrong",
        }
        self._assemble(folder, calibration, report)
        self.progress.step("compare", 1, 1, f"{self.config.id} is done")
        return report

    def _settings(self, site: Site, base: Base) -> dict[str, Any]:
        """What a training is made from; another folder is another training."""
        only = None if self.config.only is None else sorted(self.config.only)
        own = asdict(self.config)
        kept = ("id", "stage", "replay_count", "check_count", "synthetic_count", "copies", "seed")
        return {name: own[name] for name in kept} | {
            "set": site.sha256, "base": base.model.sha256, "limits": site.limits.sha256, "only": only,
        }  # fmt: skip

    def account(self) -> dict[str, float]:
        """Seconds of each stage, and of all, over all starts; kept on disk."""
        self.progress.end_stage()
        file = self.work / "seconds.json"
        held: dict[str, float] = read_json(file) or {}
        spent = self.progress.seconds
        for name, seconds in {**spent, "total": sum(spent.values())}.items():
            held[name] = round(held.get(name, 0.0) + seconds, 2)
        spent.clear()
        if self.work.is_dir():
            write_json(file, held)
        return held

    def _draw(self, split: Any, count: int) -> PictureSet | None:
        return drawn.draw(self.config.kept, drawn.plan(split, count, self.config.seed), self.hands, self.progress)

    def _calibrated(self, folder: Path, site: Site, base: Base) -> dict[str, Any]:
        """The block ``calibration`` of the new model."""
        file = self.work / "calibration.json"
        if (kept := read_json(file)) is not None:
            held: dict[str, Any] = kept
            return held
        own = [item for item in site.calibrate if item.truth.part in PARTS and item.truth.fit]
        tasks = [judging.Look(str(folder), photo_of(item), figures.truth_row(item.truth)) for item in own]
        seen = self._each(judging.examine, tasks, "calibrate", "examining photos that taught nothing")
        held_out = [
            Held(one, {name: (bound.low, bound.high) for name, bound in item.truth.bounds.items()})
            for one, item in zip(seen, own, strict=True)
        ]
        pictures = self._draw("calibrate", self.config.check_count)
        others: list[Held] = []
        if pictures is not None:
            rows = [row for row in zip(pictures.images, pictures.truths, strict=True) if row[1]["part"] in PARTS]
            checks = [judging.Look(str(folder), image, truth) for image, truth in rows]
            said = self._each(judging.examine, checks, "calibrate", "examining drawn pictures of other designs")
            others = [exact(one) for one in said]
        block = recalibrated(base.model.record["calibration"], held_out, others)
        write_json(file, block)
        return block

    def _compared(self, folder: Path, calibration: dict[str, Any], site: Site, base: Base) -> Report:
        """Everything of the report but what is told of the training."""
        graded = self.work / "graded"
        if not (graded / "model.json").is_file():
            draft = self.work / "graded.part"
            shutil.rmtree(draft, ignore_errors=True)
            shutil.copytree(folder, draft)
            record = read_json(draft / "model.json")
            record |= {
                "calibration": calibration,
                "trained_from": {"id": base.id, "sha256": base.model.sha256},
                "set": {"name": site.name, "sha256": site.sha256},
            }
            write_bytes(draft / "model.json", json.dumps(record, indent=1).encode())
            shutil.rmtree(graded, ignore_errors=True)
            draft.replace(graded)
        test = [item for item in site.test if item.truth.fit]
        truths = [figures.truth_row(item.truth) for item in test]
        photos = [photo_of(item) for item in test]
        pairs = figures.pairs(truths, *(self._answers(one, photos, truths, "site") for one in (base.folder, graded)))
        pictures = self._draw("test", self.config.synthetic_count)
        others: list[figures.Pair] = []
        if pictures is not None:
            images, labels = list(pictures.images), list(pictures.truths)
            others = figures.pairs(
                labels, *(self._answers(one, images, labels, "drawn") for one in (base.folder, graded))
            )
        sha256 = read_json(graded / "model.json")["sha256"]
        return {
            "old": {"id": base.id, "sha256": base.model.sha256},
            "new": {"id": self.config.id, "sha256": sha256},
            "held_out": {
                "photos": len(pairs),
                "machines": len({item.machine or item.group for item in test}),
                "per_part": {part: sum(one.truth["part"] == part for one, _ in pairs) for part in PARTS},
            },
            "calibration": calibration["parts"],
            "parts": figures.by_part(pairs),
            "missed": figures.missed(pairs, [item.sha256 for item in test]),
            "synthetic": figures.compared(others),
        }

    def _answers(
        self, model: Path, pictures: Sequence[Path | Square], truths: Sequence[dict[str, Any]], kind: str
    ) -> list[dict[str, Any]]:
        """What a model answers to pictures; kept, so that a stop loses no more than one model's answers."""
        which = "new" if model.parent == self.work else "old"
        file = self.work / f"answers-{which}-{kind}.json"
        if (kept := read_json(file)) is None:
            limits = None if self.config.limits is None else str(self.config.limits)
            tasks = [
                judging.Look(str(model), picture, truth, limits)
                for picture, truth in zip(pictures, truths, strict=True)
            ]
            kept = self._each(judging.grade, tasks, "compare", f"grading {kind} pictures with the {which} model")
            write_json(file, kept)
        answers: list[dict[str, Any]] = kept
        return answers

    def _each(self, work: Callable[[Any], Any], tasks: Sequence[Any], stage: str, say: str) -> list[Any]:
        found = []
        self.progress.step(stage, 0, len(tasks), say)
        for one in self.hands.each(work, tasks):
            found.append(one)
            self.progress.step(stage, len(found), len(tasks), say)
        return found

    def _assemble(self, folder: Path, calibration: dict[str, Any], report: Report) -> None:
        """Puts the model folder in its place, whole, and the report after it."""
        draft, place = self.config.out / "model.part", self.config.out / "model"
        shutil.rmtree(draft, ignore_errors=True)
        shutil.copytree(self.work / "graded", draft)
        (draft / "weights.safetensors").chmod(0o644)  # else its owner's alone, unlike the rest
        write_bytes(draft / "card.md", card(report, calibration).encode())
        shutil.rmtree(place, ignore_errors=True)
        draft.replace(place)
        write_json(self.config.out / "report.json", report)
