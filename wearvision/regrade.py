"""Grades a report again under other limits, without its photo.

A grade follows from measures and limits. What it needs beyond a report's rounded numbers stands in the field
``basis`` (``with_basis`` writes it): of each photo the view, and of each measure its unrounded value and interval, the
reason that stood in its place, and what value and probabilities were made of. The figures that are the same for all
photos (residuals, levels) come from the model's own folder. With the same limits the result equals the report.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

from wearvision.calibration import Blend, Calibration
from wearvision.errors import ModelError, RegradeError, UnknownPart
from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.network import ModelFolder, released_models
from wearvision.parts import part_spec
from wearvision.report import Report
from wearvision.settle import Basis
from wearvision.sighting import Estimate
from wearvision.standard import Limits, load_limits
from wearvision.verdict import Seen, verdict

FOLLOWS = ("grade", "possible_grades", "probabilities", "not_seen", "views_missing", "measures", "checks", "causes")
"""Fields that follow from measures and limits."""
BEFORE = ("grade", "possible_grades", "probabilities", "model", "limits")
"""What a regraded report keeps of the earlier one, in its field ``before``."""


def with_basis(report: Report) -> dict[str, Any]:
    """The JSON report with the field ``basis``, from which it can be graded again."""
    return {**report.to_dict(), "basis": [_seen_to_dict(seen) for seen in report.basis]}


class Regrader:
    """Grades reports again under one set of limits; made once, safe to share between threads.

    Args:
        limits: A TOML file that overrides rows of the wear standard, or limits already loaded.
        model: Folder or id of the model that made the reports; None: the released one of the id that a report names.

    Raises:
        LimitsError: the limits file is wrong.
    """

    def __init__(self, limits: str | Path | Limits | None = None, model: str | Path | None = None) -> None:
        self.limits = limits if isinstance(limits, Limits) else load_limits(limits)
        self._source = model
        self._figures: dict[str, _Figures] = {}

    def regrade(self, record: Mapping[str, Any]) -> dict[str, Any]:
        """The report under the limits in force, with the earlier grade in ``before``.

        Args:
            record: A report with ``basis``. One that graded nothing stays as it is but for the limits.

        Raises:
            RegradeError: it has no basis, or one that makes no sense.
            ModelError: the model that made it is not here, or is another one of that name.
        """
        try:
            before = {name: record[name] for name in BEFORE}
            usable = record["usable"]
        except (KeyError, TypeError) as error:
            raise RegradeError(f"This is no report of a photo ({error!r} is missing).") from error
        out = {**record, "limits": {"id": self.limits.id, "sha256": self.limits.sha256}, "before": before}
        if not usable:
            return out
        if not record.get("basis"):
            raise RegradeError("The report does not carry its basis; grade the photo again (--photos).")
        try:
            figures = self._figures_of(record["model"])
            spec = part_spec(record["part"]["name"])
            seen = [figures.seen(spec.key, one) for one in record["basis"]]
            said = verdict(spec, seen, figures.calibration, self.limits)
        except (KeyError, TypeError, ValueError, AttributeError, UnknownPart) as error:
            raise RegradeError(f"The report's basis is damaged ({error!r}); grade the photo again.") from error
        told = Report(record["photo"], record["sha256"], True, **said).to_dict()
        return out | {name: told[name] for name in FOLLOWS if name in record}

    def _figures_of(self, model: Mapping[str, Any]) -> _Figures:
        name = str(model.get("id"))
        if name not in self._figures:
            if self._source is None and name not in released_models():
                raise ModelError(f"The model {name!r} that made the report is not released; give its folder.")
            self._figures[name] = _Figures(ModelFolder.open(self._source if self._source is not None else name))
        self._figures[name].demand(model)
        return self._figures[name]


class _Figures:
    """What of a model's record counts for grades."""

    def __init__(self, folder: ModelFolder) -> None:
        self._record = folder.record
        self.calibration = Calibration.read(folder.record.get("calibration", {}))

    @cached_property
    def levels(self) -> dict[str, tuple[float, ...]]:
        """``part.measure`` to the values for which the network says how likely they are reached."""
        names = self._record["measures"]
        return {
            name: tuple(own) for name, own in zip(names, self._record.get("levels") or [()] * len(names), strict=True)
        }

    def demand(self, model: Mapping[str, Any]) -> None:
        """Raises RegradeError where a report was made by another model."""
        here = {
            "id": self._record["id"],
            "sha256": self._record["sha256"],
            "calibrated_on": self.calibration.source,
            "rate": self.calibration.rate,
        }
        if other := [name for name, value in here.items() if model.get(name) != value]:
            raise RegradeError(
                f"The report was made by model {model.get('id')!r}, whose {', '.join(other)} is not that of the model "
                f"{here['id']!r} here; give the folder of its own model, or grade the photos again."
            )

    def seen(self, part: str, plain: Mapping[str, Any]) -> Seen:
        """One photo of ``basis``. KeyError, TypeError or ValueError for what makes no sense."""
        known = {mode.measure for mode in part_spec(part).modes}
        if unknown := set(plain["measures"]) - known:
            raise ValueError(f"{part} has no measure {sorted(unknown)[0]!r}")
        return Seen(
            str(plain["view"]),
            {name: self._basis(f"{part}.{name}", row) for name, row in plain["measures"].items()},
        )

    def _basis(self, key: str, plain: Mapping[str, Any]) -> Basis:
        measured = unmeasured = None
        if "value" in plain:
            value, low, high = (_finite(plain[name]) for name in ("value", "low", "high"))
            measured = Measured(value, low, high, str(plain.get("unit", "1")), note=str(plain.get("note", "")))
        if "reason" in plain:
            unmeasured = Unmeasured(Reason(plain["reason"]), plain.get("why", ""))
        if measured is None and unmeasured is None:
            raise ValueError(f"{key} has neither a value nor a reason")
        blend = None if "blend" not in plain else self._blend(key, plain["blend"])
        return Basis(measured, unmeasured, plain.get("agree", True), blend)

    def _blend(self, key: str, plain: Mapping[str, Any]) -> Blend:
        value, spread, presence = (_finite(number) for number in plain["direct"])
        reached = tuple(_finite(number) for number in plain["reached"])
        levels = self.levels[key]
        if len(levels) != len(reached):
            raise ValueError(f"{key} has {len(reached)} levels, the model {len(levels)}")
        direct = Estimate(value, spread, presence, levels, reached)
        return Blend(_finite(plain["value"]), _finite(plain["scale"]), True, _finite(plain["share"]), direct)


def _finite(number: Any) -> float:
    found = float(number)
    if not math.isfinite(found):
        raise ValueError(f"{number!r} is not finite")
    return found


def _seen_to_dict(seen: Seen) -> dict[str, Any]:
    return {"view": seen.view, "measures": {name: _basis_to_dict(basis) for name, basis in seen.measures.items()}}


def _basis_to_dict(basis: Basis) -> dict[str, Any]:
    """Unrounded numbers; what is as usual is left out."""
    out: dict[str, Any] = {}
    if basis.measured is not None:
        one = basis.measured
        out |= {"value": float(one.value), "low": float(one.low), "high": float(one.high)}
        out |= {"unit": one.unit} if one.unit != "1" else {}
        out |= {"note": one.note} if one.note else {}
    if basis.unmeasured is not None:
        out |= {"reason": str(basis.unmeasured.reason)}
        out |= {"why": basis.unmeasured.note} if basis.unmeasured.note else {}
    if not basis.agree:
        out["agree"] = False
    if basis.blend is not None and basis.blend.direct is not None:
        direct = basis.blend.direct
        out["blend"] = {
            "value": float(basis.blend.value),
            "scale": float(basis.blend.scale),
            "share": float(basis.blend.share),
            "direct": [float(direct.value), float(direct.spread), float(direct.presence)],
            "reached": [float(chance) for chance in direct.reached],
        }
    return out
