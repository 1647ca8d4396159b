"""Put in place of what takes hours, inside a service that is killed: a training that only says how far it is."""

import json
import sys
from pathlib import Path

import wearvision_models

STUB = Path(__file__).parents[1] / "api" / "teaching" / "models" / "training_stub.py"
PROGRAM = (sys.executable, str(STUB))
RELEASED = Path(wearvision_models.__file__).parent / wearvision_models.DEFAULT


def write_set(house, session, row, folder):  # type: ignore[no-untyped-def]
    """In place of a set's photos: what the stand-in is to do."""
    folder.mkdir(parents=True)
    report = json.loads((house.settings.data.parent / "report.json").read_text("utf-8"))
    how = {"steps": 30, "pause": 0.1, "model": str(RELEASED), "report": report}
    (folder / "how.json").write_text(json.dumps(how), "utf-8")
    (folder / "photo.jpg").write_bytes(b"a photo")
