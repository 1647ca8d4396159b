"""A second model for the service, made of the released one, and small sets and processes to train with."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

import wearvision_models
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import Caller
from wearvision_api.app import create_app
from wearvision_api.house import House
from wearvision_api.settings import Settings
from wearvision_api.teaching import gate, models

RELEASED = Path(wearvision_models.__file__).parent / wearvision_models.DEFAULT
WHO = Caller(LOCAL_ID, "this machine", "administrator")


def figure(value: float, low: float, high: float, of: int, **more: Any) -> dict[str, Any]:
    return {"value": value, "low": low, "high": high, "of": of, **more}


def side(f1: float, missed: int, of: int, in_set: float = 0.96) -> dict[str, Any]:
    """One model's figures; intervals are only for show here."""
    return {
        "macro_f1": figure(f1, f1 - 0.05, f1 + 0.05, of),
        "missed": figure(missed / of, 0.0, 0.2, of, hits=missed, upper=0.2),
        "refused": figure(0.02, 0.0, 0.1, of),
        "in_set": figure(in_set, in_set - 0.05, 1.0, of),
        "set_size": 1.7,
    }


def report(old_f1: float = 0.7, new_f1: float = 0.85, misses: tuple[int, int] = (3, 1), of: int = 60) -> dict[str, Any]:
    """A comparison in the form that the retraining writes."""
    compared = {
        "n": of,
        "old": side(old_f1, misses[0], of),
        "new": side(new_f1, misses[1], of),
        "f1_difference": figure(new_f1 - old_f1, new_f1 - old_f1 - 0.04, new_f1 - old_f1 + 0.04, of),
        "mcnemar": {"only_new": 9, "only_old": 2, "p": 0.065},
    }
    drawn = {"n": 120, "old": side(0.85, 2, 120), "new": side(0.84, 2, 120)}
    return {
        "old": {"id": "mixed-2", "sha256": "0" * 64},
        "new": {"id": "site-yard-1", "sha256": "1" * 64},
        "held_out": {"photos": of, "machines": 12, "per_part": {"flame_cell": of}},
        "calibration": {"flame_cell": {"photos": 9, "used": "released, widened", "why": "9 of 19 photos"}},
        "parts": {"all": compared, "flame_cell": compared},
        "missed": [],
        "synthetic": {**drawn, "f1_difference": figure(-0.01, -0.03, 0.01, 120)},
        "told": {
            "seconds": {"total": 12.5},
            "photos": {"train": 200, "calibrate": 40, "test": 40},
            "replay": 400,
            "device": "cpu",
            "how": {"way": {"epochs": 0}},
        },
    }


def copied(folder: Path, key: str, *, joint: float = 1.5) -> Path:
    """The released model under another id, with wider intervals, so that its reports can be told apart."""
    folder.mkdir(parents=True)
    shutil.copy(RELEASED / "model.onnx", folder)
    (folder / "card.md").write_text(f"# {key}\n\nA copy for tests.\n", "utf-8")
    record = json.loads((RELEASED / "model.json").read_text("utf-8"))
    record["id"] = key
    record["calibration"]["joint"] = {
        part: None if factor is None else factor * joint for part, factor in record["calibration"]["joint"].items()
    }
    (folder / "model.json").write_text(json.dumps(record), "utf-8")
    return folder


@pytest.fixture
def client(settings: Settings) -> Iterator[TestClient]:
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        yield client


@pytest.fixture
def house(client: TestClient) -> House:
    """The house of the running service."""
    found: House = client.app.state.house  # type: ignore[attr-defined]
    return found


@pytest.fixture
def taken_in(house: House, tmp_path: Path) -> Callable[..., str]:
    """Takes a copy of the released model in as a site's model; gives its id."""

    def take(key: str = "site-yard-1", said: dict[str, Any] | None = None, **options: Any) -> str:
        folder = copied(tmp_path / key, key, **options)
        found = said or report()
        with house.session() as session:
            models.keep(
                session,
                house.blobs,
                folder,
                owner_id=LOCAL_ID,
                base="mixed-2",
                report=found,
                gate=gate.verdict(found, house.gate),
            )
            session.commit()
        return key

    return take
