"""Returns of mixed kinds settled in Debian's chromium by keyboard alone, by two counters and a third person.

The reduced form of a walk over the twenty returns of ``wearvision_training desk-demo``: sample photos without tags, so
nothing is drawn. What each return must come to: issue 5 ("Done when"), the signs and the rows of the example policy.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from PIL import Image, ImageEnhance
from playwright.sync_api import Browser
from pypdf import PdfReader
from sqlalchemy.orm import Session

from wearvision.cli import main
from wearvision_api.accounts.first import make_administrator
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.services import accounts
from wearvision_api.settings import Settings
from wearvision_api.store.engine import open_engine

from ..looks import CHROMIUM, open_at
from .conftest import SAMPLES, served
from .test_return_browser import PASSWORD, Keys

pytestmark = [
    pytest.mark.slow,
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian package chromium)"),
]
LIT = {"adapted": "yes", "lit_good": "620", "lit_part": "1900", "lit_wiped": "680"}
DARK = {"adapted": "yes", "waited": "yes", "dark_good": "open", "dark_part": "open"}
BURNED = LIT | {"lit_part": "3400", "lit_wiped": "3300"}


def words(**said: str) -> dict[str, dict[str, str]]:
    """Readings of hand checks, which have one field each."""
    return {key.replace("_", "-"): {"reading": word} for key, word in said.items()}


def cell(lit: Mapping[str, str], **other: str) -> dict[str, Any]:
    whole = {"cell_wipe": "clear", "cell_crack": "none", "cell_element": "even", "cell_fit": "seats"}
    return {"cell-lit-beside-good": lit, "cell-dark-beside-good": DARK} | words(**(whole | other))


def coupler(**other: str) -> dict[str, Any]:
    whole = {"coupler_fit": "slides on", "coupler_play": "snug", "coupler_roll": "true", "coupler_wipe": "clean"}
    return words(**(whole | {"coupler_crack": "none", "coupler_twist": "firm"} | other))


@dataclass(frozen=True)
class Case:
    """A return: what comes in, what the counter reads, and what the desk must say of it."""

    part: str
    photos: Mapping[str, str]
    readings: Mapping[str, Mapping[str, str]]
    outcome: str
    says: str
    proposes: str
    flagged: str = ""
    hours: tuple[int, int] = (1000, 1060)


CASES = {
    "only dirty": Case(
        "flame_cell",
        {"face": "flame_cell-face-clean-and-reuse-1.jpg"},
        cell(LIT),
        "decline",
        "Likely class of cause: dirt",
        "Row dirt",
    ),
    "burned": Case(
        "flame_cell",
        {"face": "flame_cell-face-replace-1.jpg"},
        cell(BURNED, cell_element="burned"),
        "decline",
        "Likely class of cause: heat from the burner",
        "Row heat",
    ),
    "recycled photo": Case(
        "flame_cell",
        {"face": "again.jpg"},
        cell(LIT | {"lit_part": "open", "lit_wiped": "open"}),
        "decline",
        "",
        "Done without: ",
        flagged="Nearly the same photo",
    ),
    "swapped part": Case(
        "coupler",
        {"end-blower": "electrode-side-serviceable-2.jpg"},
        {},
        "decline",
        "the photos show another part",
        "Row another-part",
    ),
    "cooked": Case(
        "coupler",
        {"end-blower": "coupler-end-replace-1.jpg"},
        coupler(coupler_fit="melted", coupler_play="slips", coupler_roll="wobbles"),
        "decline",
        "Likely class of cause: heat from the burner",
        "A second person must sign",
    ),
    "disputed": Case(
        "electrode",
        {"side-1": "electrode-side-serviceable-2.jpg"},
        words(electrode_insulation="over range", electrode_gap="3.5", electrode_chip="chipped"),
        "accept",
        "Chip",
        "A second person must sign",
    ),
    "old": Case(
        "coupler",
        {"end-blower": "coupler-end-serviceable-1.jpg"},
        coupler(coupler_play="slips"),
        "decline",
        "It slips on the shaft",
        "Row past-warranty",
        hours=(100, 1650),
    ),
}


def parcel(folder: Path) -> None:
    """The claims as a table with their photos; the recycled one is smaller, brighter and saved again."""
    with Image.open(SAMPLES / CASES["burned"].photos["face"]) as image:
        small = image.resize((image.width * 4 // 5, image.height * 4 // 5))
        ImageEnhance.Brightness(small).enhance(1.15).save(folder / "again.jpg", quality=80)
    fixed = {"machine": "KH-13", "claimant": "Ostvale Hire, yard", "kept_where": "Shelf 4", "kept_until": "2027-03-31"}
    fixed |= {"installed_on": "2026-07-20", "failed_on": "2026-09-03", "claimed": "defect", "value_minor": "1980"}
    rows = []
    for name, case in CASES.items():
        for photo in case.photos.values():
            if (SAMPLES / photo).exists():
                (folder / photo).write_bytes((SAMPLES / photo).read_bytes())
        shots = "; ".join(f"{view}={photo}" for view, photo in case.photos.items())
        run = {"hours_installed": str(case.hours[0]), "hours_failed": str(case.hours[1])}
        rows.append(fixed | run | {"part": case.part, "story": name, "currency": "EUR", "photos": shots})
    with (folder / "returns.csv").open("w", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)


@dataclass
class Counter(Keys):
    """A person at the counter, who has a keyboard and nothing else."""

    base: str
    page: Any = field(repr=False)

    def until(self, holds: str, most: int = 90) -> None:
        """Goes on by Tab to where this holds of the focused node ``n``."""
        for _ in range(most):
            self.press("Tab")
            if self.page.evaluate(f"(() => {{ const n = document.activeElement; return Boolean({holds}); }})()"):
                return
        raise AssertionError(f"{holds} is not reached by Tab; the focus is on {self.focus}")

    def press_button(self, word: str) -> None:
        self.until(f"n.tagName === 'BUTTON' && n.innerText.includes('{word}')")
        self.send()

    def log_in(self, name: str) -> None:
        self.page.goto(f"{self.base}/login?next=/returns")
        self.until("n.id === 'name'")
        self.type(name)
        self.press("Tab")
        self.type(PASSWORD)
        self.press_button("Log in")

    def open(self, number: str) -> None:
        """As a scanner does: the number, wherever the focus is, and Enter."""
        self.press("l") if "/returns/" in self.page.url else None
        self.page.wait_for_url(lambda url: url.endswith("/returns"))
        self.type(number)
        self.send()
        assert number in self.page.locator("h1").inner_text()

    def go_to(self, section: str) -> None:
        self.press(self.page.locator(f".steps-nav a[href='#{section}']").get_attribute("data-key"))
        assert self.focus["id"] == section

    def text(self, section: str) -> str:
        return str(self.page.locator(f"section[aria-labelledby={section}]").inner_text())

    def pick(self, name: str, value: str, within: str = "body") -> None:
        self.until(f"n.name === '{name}' && n.closest(\"{within}\")")
        radios = self.page.locator(f"{within} input[name='{name}']")
        place = radios.evaluate_all("all => all.map((one) => one.value)").index(value)
        self.press(*(["ArrowDown"] * place or ["Space"]))

    def say(self, name: str, text: str, button: str) -> None:
        self.until(f"n.name === '{name}'")
        self.type(text)
        self.press_button(button)

    def read(self, check: str, values: Mapping[str, str]) -> None:
        within = f"article[aria-labelledby='check-{check}']"
        self.go_to("readings")
        self.until(f"n.tagName === 'SUMMARY' && n.closest(\"{within}\")")
        if not self.page.locator(f"{within} details").evaluate("node => node.open"):
            self.press("Enter")
        for key, value in values.items():
            if self.page.locator(f"{within} input[name='{key}']").first.get_attribute("type") == "radio":
                self.pick(key, value, within)
            else:
                self.until(f"n.name === '{key}'")
                self.type(value)
        self.press_button("Enter the reading")
        assert self.page.locator(f"{within} .answer").count() == 1, self.page.locator(within).inner_text()

    def settle_flags(self) -> None:
        self.go_to("flags")
        for _ in range(self.page.locator("input[name=flag]").count()):
            self.until("n.name === 'flag'")
            self.press("Space")
        self.say("text", "Looked at beside the other photo.", "Settle")

    def set_aside(self) -> None:
        self.go_to("photos")
        self.until("n.tagName === 'SUMMARY' && n.innerText.includes('Set it aside')")
        self.press("Enter")
        self.say("reason", "It does not show this part.", "Set aside")

    def do_without(self) -> None:
        self.go_to("missing")
        self.until("n.tagName === 'SUMMARY'")
        self.press("Enter")
        for _ in range(self.page.locator("input[name=item]").count()):
            self.press("Tab", "Space")
        self.say("reason", "Not to be had: the machine was scrapped.", "Do without")

    def decide(self, outcome: str, reason: str) -> None:
        self.go_to("decision")
        self.pick("outcome", outcome)
        self.say("reason", reason, "Decide")

    def sign(self, word: str) -> None:
        self.go_to("decision")
        self.pick("word", word)
        self.say("reason", "I have looked at it myself.", "Sign")


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """A desk with three people of the counter, and the parcel taken in."""
    settings = Settings(data=tmp_path_factory.mktemp("twenty"), workers=1, accounts=True)
    make_administrator(settings, "yardmaster", PASSWORD)
    engine = open_engine(settings.database_url)
    with Session(engine.execution_options(writes=True)) as session:
        for name in ("ada", "ben", "cleo"):
            accounts.create(session, Passwords(), "test", name, "counter", PASSWORD)
        session.commit()
    engine.dispose()
    folder = tmp_path_factory.mktemp("parcel")
    parcel(folder)
    taken = CliRunner().invoke(
        main, ["take-returns", str(folder), "--data", str(settings.data), "--account", "ada"], catch_exceptions=False
    )
    assert taken.exit_code == 0, taken.output
    return settings


@pytest.fixture(scope="module")
def people(settings: Settings, chromium: Browser) -> Iterator[dict[str, Counter]]:
    with served(settings) as base:
        found = {}
        for name, size in (("ada", "desk"), ("ben", "phone"), ("cleo", "desk")):
            found[name] = Counter(base, open_at(chromium, size).new_page())
            found[name].log_in(name)
        yield found
        for one in found.values():
            one.page.context.close()


def test_returns_are_settled_by_keyboard_alone(settings: Settings, people: dict[str, Counter]) -> None:
    ada, ben, cleo = people["ada"], people["ben"], people["cleo"]
    numbers = ada.page.locator("[data-row]").all_inner_texts()
    assert len(numbers) == len(CASES)
    of = dict(zip(CASES, numbers, strict=True))  # the list begins with the oldest
    for name, case in CASES.items():
        ada.open(of[name])
        assert name in ada.text("claim")
        for check, values in case.readings.items():
            ada.read(check, values)
        if case.flagged:
            assert case.flagged in ada.text("flags")
            assert of["burned"] in ada.text("flags")
        if ada.page.locator("input[name=flag]").count():
            ada.settle_flags()
        if case.flagged:
            ada.set_aside()
        ada.do_without()
        assert case.says in ada.text("findings")
        assert case.proposes in ada.page.locator(".proposal").inner_text()
        ada.decide(case.outcome, "As photos and readings show.")
        assert "Waits for a second person" in ada.text("decision")  # views were done without
        assert ada.page.locator("input[name=word]").count() == 0  # nobody signs what they decided
        ben.open(of[name])
        ben.sign("not agree" if name == "disputed" else "agree")

    cleo.open(of["disputed"])
    cleo.decide("decline", "A fresh edge: it was struck.")
    ben.open(of["disputed"])
    ben.sign("agree")
    assert "Decision 2: declined" in ben.text("decision")

    ada.open(of["old"])
    ada.go_to("decision")
    ada.until("n.tagName === 'SUMMARY' && n.innerText.includes('objects')")
    ada.press("Enter")
    ada.say("text", "It ran for 900 hours only.", "Record the objection")
    assert "another person must go on" in ada.text("decision")
    cleo.open(of["old"])
    cleo.go_to("decision")
    cleo.press_button("Take it up")
    cleo.decide("decline", "The hour meters on both photos are plain.")
    assert "Decision 2: declined" in cleo.text("decision")

    for name, number in of.items():
        ada.open(number)
        answer = ada.page.request.get(f"{ada.page.url.replace('/returns/', '/api/v1/returns/')}/sheet.pdf")
        sheet = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.body())).pages)
        assert number in sheet
        assert "Head of the record" in sheet
        assert ("claim accepted" in sheet) is False, name
    said = CliRunner().invoke(main, ["verify", "--photos", "--data", str(settings.data)], catch_exceptions=False)
    assert said.exit_code == 0, said.output
