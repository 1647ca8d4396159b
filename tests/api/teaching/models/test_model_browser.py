"""Pages of models in Debian's chromium: axe finds nothing, nothing overflows, a training moves on by itself."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.app import create_app
from wearvision_api.house import House
from wearvision_api.settings import Settings
from wearvision_api.store.tables import GradeRow, PhotoRow, new_id
from wearvision_api.store.teaching_tables import DataSetRow, ShadowRow
from wearvision_api.teaching import gate, job, models, training_watch

from ...looks import IN_BROWSER, SIZES, faults_of, open_at
from ...loopback import serving
from .conftest import RELEASED, copied, report

pytestmark = IN_BROWSER

SAMPLES = Path(__file__).parents[4] / "sample_images"
STUB = Path(__file__).with_name("training_stub.py")


@contextmanager
def served(settings: Settings) -> Iterator[tuple[str, House]]:
    """A service on loopback in a thread of its own; gives its address and its house."""
    app = create_app(settings)
    with serving(app) as base:
        yield base, app.state.house


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, House]]:
    """A service with two models of its own, one in the shadow with differences, and a set to train on."""
    folder = tmp_path_factory.mktemp("yard")
    how = {"steps": 12, "pause": 0.4, "model": str(RELEASED), "report": report()}

    def write(house: House, session: Any, row: DataSetRow, place: Path) -> None:
        place.mkdir(parents=True)
        (place / "how.json").write_text(json.dumps(how), "utf-8")

    with pytest.MonkeyPatch.context() as patch, served(Settings(data=folder / "data", workers=1)) as (base, house):
        patch.setattr(training_watch, "write_set", write)
        patch.setattr(job, "PROGRAM", (sys.executable, str(STUB)))
        fill(base, house, folder)
        yield base, house


def fill(base: str, house: House, folder: Path) -> None:
    """Invented records."""
    import httpx

    with httpx.Client(base_url=base, timeout=60, trust_env=False) as http:
        for name in ("flame_cell-face-replace-1.jpg", "coupler-end-replace-1.jpg"):
            data = (SAMPLES / name).read_bytes()
            photo = http.post("/api/v1/photos", files={"file": data}).json()["id"]
            http.post("/api/v1/grades", json={"photos": [photo]}).raise_for_status()
    digests = [
        hashlib.sha256((SAMPLES / name).read_bytes()).hexdigest()
        for name in ("flame_cell-face-replace-1.jpg", "coupler-end-replace-1.jpg")
    ]
    said = report()
    said["missed"] = [
        {"sha256": digests[0], "part": "flame_cell", "truth": "replace", "old": "serviceable", "new": "replace"},
        {"sha256": digests[1], "part": "coupler", "truth": "replace", "old": "clean-and-reuse", "new": "serviceable"},
        {"sha256": "e" * 64, "part": "electrode", "truth": "replace", "old": "serviceable", "new": "serviceable"},
    ]
    worse = report(misses=(1, 3))
    with house.session() as session:
        session.add(DataSetRow(id=new_id(), owner_id=LOCAL_ID, name="Yard", sha256="0" * 64, counts={"photos": 60}))
        for key, one in (("site-yard-1", said), ("site-yard-2", worse)):
            models.keep(
                session,
                house.blobs,
                copied(folder / key, key),
                owner_id=LOCAL_ID,
                base="mixed-2",
                report=one,
                gate=gate.verdict(one, house.gate),
            )
        for row in session.query(GradeRow):
            other = "serviceable" if row.grade == "replace" else "replace"
            said_other = {**row.report, "grade": other}
            session.add(ShadowRow(grade_id=row.id, model="site-yard-1", grade=other, report=said_other, differs=True))
        assert session.query(PhotoRow).count() == 2
        session.commit()
    with httpx.Client(base_url=base, timeout=60, trust_env=False) as http:
        http.post("/api/v1/models/site-yard-2/release", json={"reason": "to be taken back"}).raise_for_status()
        http.post("/api/v1/models/site-yard-1/shadow", json={}).raise_for_status()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_pages_of_models_are_accessible(chromium: Browser, yard: tuple[str, House], size: str, scheme: Any) -> None:
    base, _ = yard
    context = open_at(chromium, size, color_scheme=scheme, bypass_csp=True)
    page, faults = context.new_page(), {}
    pictures = os.environ.get("WEARVISION_PICTURES", "")
    for name, path in {
        "models": "/teaching/models",
        "model": "/teaching/models/site-yard-1",
        "against": "/teaching/models/site-yard-2",
        "released": "/teaching/models/mixed-2",
        "shadow": "/teaching/models/site-yard-1/shadow",
    }.items():
        page.goto(base + path, wait_until="networkidle")
        for summary in page.locator("details > summary").all():
            summary.click()
        faults[name] = faults_of(page)
        if pictures:
            page.screenshot(path=f"{pictures}/{name}-{size}-{scheme}.png", full_page=True)
    context.close()
    assert {name: found for name, found in faults.items() if found} == {}


def test_a_training_is_asked_for_and_moves_on_by_keyboard(chromium: Browser, yard: tuple[str, House]) -> None:
    base, house = yard
    context = open_at(chromium, "phone", bypass_csp=True)
    page = context.new_page()
    page.goto(f"{base}/teaching/models")
    page.get_by_label("Set", exact=True).focus()
    for _ in range(8):
        page.keyboard.press("Tab")
        if page.locator(":focus").inner_text() == "Train":
            break
    page.keyboard.press("Enter")
    page.wait_for_url("**/teaching/trainings/*")
    page.locator("progress").wait_for()
    faults = faults_of(page)
    page.evaluate("window.stays = true")
    first = page.locator("#live .number").inner_text()
    page.wait_for_function("said => document.querySelector('#live .number')?.innerText !== said", arg=first)
    assert page.evaluate("window.stays") is True  # in place, without a reload
    if pictures := os.environ.get("WEARVISION_PICTURES", ""):
        page.screenshot(path=f"{pictures}/training-phone-light.png", full_page=True)
    page.get_by_role("link", name="Compare the new model").wait_for(timeout=60_000)
    faults += faults_of(page)
    context.close()
    assert faults == []
    with house.session(writes=False) as session:
        assert session.get_one(models.ModelRow, "site-yard-3").base == "site-yard-2"
