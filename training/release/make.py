"""From a plan to its stages."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wearvision_training.release.plan import ReleasePlan
from wearvision_training.release.stages import CORES, WORKSHOP, Drawing, Need, Stage, Training


@dataclass(frozen=True, slots=True)
class Folders:
    """Where a release keeps what it makes."""

    out: Path

    def set(self, name: str) -> Path:
        """A set of pictures."""
        return self.out / "sets" / name

    def compared(self, name: str) -> Path:
        """Run of a training to choose by."""
        return self.out / "compare" / name

    @property
    def run(self) -> Path:
        """Run of the final training."""
        return self.out / "train"

    def model(self, name: str) -> Path:
        """A model folder."""
        return self.out / "models" / name

    def report(self, name: str) -> Path:
        """Folder of a report."""
        return self.out / "reports" / name


def stages(plan: ReleasePlan, out: Path) -> list[Stage]:
    """Every stage of a plan, in the order in which those that take the same device run."""
    folders = Folders(out)
    drawn = {name: _drawing(plan, folders, name) for name in plan.sets}
    compared = [_compared(plan, folders, drawn, name) for name in plan.compare.variants]
    trained = _trained(plan, folders, drawn)
    for name in plan.of("train"):
        drawn[name].serves = trained
    watched, calibrating = drawn[plan.watched], drawn[plan.of("calibrate")[0]]
    model = folders.model(plan.model)
    workers = ("--workers", str(plan.workers))
    takes = _without_accelerator(plan)
    export = Stage(
        "export", "export", takes, model / "model.onnx",
        ("export", "--weights", str(trained.product), "--model", str(model), "--set", str(watched.product)),
        (Need(trained), Need(watched)),
    )  # fmt: skip
    calibrate = Stage(
        "calibrate", "calibrate", takes, model / "model.json",
        ("calibrate", "--model", str(model), "--set", str(calibrating.product), *workers),
        (Need(export), Need(calibrating)),
    )  # fmt: skip
    refusal = Stage(
        "refusal", "evaluate", takes, out / "refusal.json",
        ("refusal", "--model", str(model), "--set", str(calibrating.product), "--json", str(out / "refusal.json"),
         *workers),
        (Need(calibrate),),
    )  # fmt: skip
    judged = [_judged(plan, folders, drawn[name], plan.model, (Need(calibrate),)) for name in plan.of("test")]
    smaller = [one for name in plan.variants for one in _smaller(plan, folders, drawn, calibrate, name)]
    return [*drawn.values(), *compared, trained, export, calibrate, refusal, *judged, *smaller]


def _without_accelerator(plan: ReleasePlan) -> tuple[str, ...]:
    return plan.devices if plan.on_processor else (CORES,)


def _drawing(plan: ReleasePlan, folders: Folders, name: str) -> Drawing:
    made, traced = plan.sets[name], plan.sets[name].engine == "pathtrace"
    values = {
        "out": folders.set(name), "count": made.count, "split": made.split, "seed": made.seed, "size": made.size,
        "engine": made.engine, "samples": made.samples, "shard": made.shard, "workers": made.workers,
    }  # fmt: skip
    arguments = ["draw", *_options(values)]
    arguments += ["--regions" if made.regions else "--no-regions", "--photos" if made.photos else "--pixels"]
    if traced:
        arguments += [word for device in plan.devices for word in ("--device", device)]
    takes = plan.devices if traced else _without_accelerator(plan)
    return Drawing(f"draw-{name}", "draw", takes, folders.set(name), arguments, plan=made)


def _compared(plan: ReleasePlan, folders: Folders, drawn: Mapping[str, Drawing], name: str) -> Training:
    keys = {**plan.train.keys, **plan.compare.keys, **plan.compare.variants[name]}
    sets = keys.pop("sets", plan.of("train"))
    limit = plan.compare.pictures // len(sets)
    run = folders.compared(name)
    arguments = _training(plan, folders, run, dict.fromkeys(sets), keys, plan.compare.seconds)
    needs = tuple(Need(drawn[one], _first(drawn[one], limit)) for one in sets)
    return Training(
        f"compare-{name}", "compare", plan.devices, run / "weights.safetensors",
        (*arguments, "--limit", str(limit)), (*needs, Need(drawn[plan.watched])), one=True,
    )  # fmt: skip


def _first(drawing: Drawing, count: int) -> Any:
    return lambda: drawing.in_order(count)


def _trained(plan: ReleasePlan, folders: Folders, drawn: Mapping[str, Drawing]) -> Training:
    sets = {name: plan.train.shares.get(name) for name in plan.of("train")}
    # Set by set: each must have something, and what comes later is taken in at the next leg.
    needs = [Need(drawn[name], drawn[name].usable) for name in sets]
    count = len(plan.devices)
    several = ("torch.distributed.run", "--standalone", "--nproc-per-node", str(count), "-m", "--")
    prefix = WORKSHOP if count == 1 else (sys.executable, "-m", *several, "wearvision_training")
    return Training(
        "train", "train", plan.devices, folders.run / "weights.safetensors",
        _training(plan, folders, folders.run, sets, plan.train.keys, plan.train.seconds),
        (*needs, Need(drawn[plan.watched])),
        leg=plan.train.leg,
        growing=lambda: not all(drawn[name].ended for name in sets),
        prefix=prefix,
    )  # fmt: skip


def _training(
    plan: ReleasePlan, folders: Folders, run: Path, sets: Mapping[str, float | None], keys: Mapping[str, Any],
    seconds: float,
) -> list[str]:  # fmt: skip
    values: dict[str, Any] = {
        "run": run, "config": plan.config, "watch": folders.set(plan.watched),
        "device": "cpu" if plan.on_processor else "cuda",
    }  # fmt: skip
    if seconds:
        values["time-limit"] = seconds
    arguments = ["train", *_options(values)]
    for name, share in sets.items():
        arguments += ["--set", f"{folders.set(name)}:{share}" if share is not None else str(folders.set(name))]
    return arguments + [word for pair in _plain(keys) for word in ("--with", pair)]


def _plain(keys: Mapping[str, Any], above: str = "") -> list[str]:
    """Nested keys as lines of TOML; JSON writes numbers, words, truth values and lists as TOML does."""
    lines = []
    for name, value in keys.items():
        nested = isinstance(value, Mapping)
        lines += _plain(value, f"{above}{name}.") if nested else [f"{above}{name} = {json.dumps(value)}"]
    return lines


def _options(values: Mapping[str, Any]) -> list[str]:
    return [word for name, value in values.items() for word in (f"--{name}", str(value))]


def _judged(
    plan: ReleasePlan, folders: Folders, drawing: Drawing, model: str, needs: Sequence[Need], against: str = ""
) -> Stage:
    name = drawing.product.name
    out = folders.report(f"{name}-{model}" if against else name)
    arguments = ["evaluate", "--model", str(folders.model(model)), "--set", str(drawing.product), "--out", str(out)]
    arguments += ["--workers", str(plan.workers)]
    if against:
        arguments += ["--against", str(folders.model(against))]
    elif plan.stress:
        arguments.append("--stress")
    kind = "variants" if against else "evaluate"
    takes = _without_accelerator(plan)
    return Stage(f"evaluate-{out.name}", kind, takes, out / "report.json", arguments, (*needs, Need(drawing)))


def _smaller(
    plan: ReleasePlan, folders: Folders, drawn: Mapping[str, Drawing], calibrate: Stage, variant: str
) -> list[Stage]:
    name = f"{plan.model}-{variant}"
    model = folders.model(name)
    watched = drawn[plan.watched].product
    shrink = Stage(
        f"shrink-{variant}", "variants", _without_accelerator(plan), model / "model.json",
        ("shrink", "--model", str(folders.model(plan.model)), "--out", str(model), "--variant", variant, "--set",
         str(watched)),
        (Need(calibrate),),
    )  # fmt: skip
    test = drawn[plan.of("test")[0]]
    return [shrink, _judged(plan, folders, test, name, (Need(shrink),), against=plan.model)]
