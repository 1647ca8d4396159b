"""The labelling desk in Debian's chromium: by keyboard alone, by finger, over a lost link, blind, and axe."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Locator, Response

from wearvision.labels.drawn import smooth_outline
from wearvision_api.settings import Settings

from ..looks import IN_BROWSER, SIZES, faults_of, open_at
from .label_house import Desk, LabelHouse, labelling

pytestmark = IN_BROWSER


CELL = "flame_cell-face-clean-and-reuse-1.jpg"
CRACKED = "flame_cell-face-replace-1.jpg"
ELECTRODE = "electrode-side-replace-1.jpg"
END = "coupler-end-replace-1.jpg"
LAMP = "not-a-part-1.jpg"
DARK = "unfit-dark.jpg"
OTHER_CELL = "flame_cell-face-serviceable-1.jpg"
KEPT = "flame_cell-face-replace-2.jpg"
TOUCHED = "flame_cell-face-serviceable-2.jpg"
LOOKED_AT = "flame_cell-face-clean-and-reuse-2.jpg"
RING = [(round(12 * np.cos(at)), round(12 * np.sin(at))) for at in np.arange(12) * np.pi / 6]


@pytest.fixture(scope="module")
def labels(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LabelHouse]:
    settings = Settings(data=tmp_path_factory.mktemp("label"), workers=1, accounts=True)
    with labelling(
        settings, (CELL, CRACKED, ELECTRODE, END, LAMP, DARK, OTHER_CELL, KEPT, TOUCHED, LOOKED_AT)
    ) as found:
        yield found


@pytest.fixture
def house(labels: LabelHouse) -> LabelHouse:
    labels.let_go()
    return labels


def desk_of(chromium: Browser, base: str, name: str, size: str = "desk", **options: Any) -> Desk:
    return Desk(open_at(chromium, size, **options).new_page(), base, name)


def _first_number(line: Locator) -> float:
    return float(line.locator("dd").inner_text().split()[0])


def test_a_photo_is_labelled_by_keyboard_alone(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "ada")
    told: list[str] = []
    refused: list[str] = []
    desk.page.on("console", lambda one: refused.append(one.text) if "Content Security" in one.text else None)

    def listen(answer: Response) -> None:
        if "/api/v1/examples" in answer.url and answer.request.method == "GET":
            told.append(answer.text())

    desk.page.on("response", listen)
    desk.open(made[CELL])
    assert desk.focus == "part"
    desk.presses = 0
    desk.press("1", "1")  # flame cell, fit
    assert desk.focus == "mode:film"
    assert desk.page.locator('[data-question="mode:film"] img').first.is_visible()
    desk.press("3", "a")  # film: clean and reuse; the rest absent
    assert desk.verdict == "Grade: clean-and-reuse, the worst of the modes."
    assert "The model" not in desk.page.inner_text("body")
    assert all('"opinion":null' in text.replace(" ", "") for text in told if "example" in text)
    desk.save()
    assert desk.focus == "label-next"
    assert "clean-and-reuse (62 %), possibly replace" in desk.page.locator("#label-opinion").inner_text()
    assert desk.presses == 5
    own = desk.example(made[CELL])["own"]
    assert own["body"]["modes"] == {
        "film": "clean-and-reuse", "clouding": "absent", "crack": "absent", "scorch": "absent", "housing": "absent"
    }  # fmt: skip
    assert (own["by"], own["turn"], own["body"]["grade"]) == ("ada", 1, "clean-and-reuse")
    assert 0 < own["seconds"] < 30
    desk.press("Enter")
    desk.until(lambda: not desk.page.url.endswith(made[CELL]))
    desk.ready()
    assert desk.focus == "part"
    assert refused == []
    desk.page.context.close()


@pytest.mark.parametrize(
    ("name", "keys", "body"),
    [
        (LAMP, ["0"], {"part": "none", "view": None, "fit": True, "grade": None, "modes": {}}),
        (DARK, ["1", "2", "3", "4", "Enter"], {"fit": False, "faults": ["too_dark", "too_bright"], "grade": None}),
        (END, ["3", "1", "1", "g", "4"], {"part": "coupler", "view": "end", "grade": "replace", "modes": {}}),
    ],
)
def test_what_has_no_modes_takes_few_keys(
    chromium: Browser, house: LabelHouse, name: str, keys: list[str], body: dict[str, Any]
) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "ada")
    desk.open(made[name])
    desk.press(*keys)
    desk.save()
    found = desk.example(made[name])["own"]["body"]
    assert {key: found[key] for key in body} == body
    desk.page.context.close()


def test_a_mark_is_drawn_measured_undone_and_kept(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "ben")
    desk.open(made[OTHER_CELL])
    desk.press("1", "1")
    desk.draw(desk.key_of("rim"), RING)
    assert desk.focus == "label-canvas"
    assert desk.said == "Rim: 12 points, open"
    desk.press("c")
    assert desk.said == "Rim: 12 points, closed"
    measured = desk.page.locator("#label-measured div", has_text="rim out of round")
    measured.wait_for()
    value = _first_number(measured)
    assert 0 <= value < 0.03  # points on a circle, to a pixel or so
    desk.press("n", *["Shift+ArrowRight"] * 6, "Enter")  # the first point goes out by half the radius
    desk.until(lambda: _first_number(measured) > value + 0.1)
    desk.press("u")
    desk.until(lambda: abs(_first_number(measured) - value) < 1e-6)
    desk.press("n", "Delete")
    assert desk.said == "Rim: 11 points, closed"
    desk.press("u", "r", "u", "Escape", "a")
    desk.save()
    rim = desk.example(made[OTHER_CELL])["own"]["body"]["marks"]["rim"]
    assert rim["shape"] == "outline"
    assert len(rim["points"]) == 12
    spread = np.ptp(np.array(rim["points"]) * (1, 1), axis=0)
    assert spread[0] == pytest.approx(spread[1], rel=0.02)  # the sample photo is square
    desk.page.context.close()


def test_a_region_is_painted_and_taken_away_by_keys(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "cyra")
    desk.open(made[ELECTRODE])
    desk.press("2", "1")
    desk.press(desk.key_of("residue"), "Enter", *["Shift+ArrowRight"] * 8, "Enter")
    desk.press("e", "[", "Enter", "ArrowLeft", "Enter")
    desk.press("e", "b", "Enter", "Shift+ArrowUp", "Enter", "Shift+ArrowLeft", "Enter", "c", "Escape", "a")
    desk.save()
    shapes = desk.example(made[ELECTRODE])["own"]["body"]["regions"]["residue"]
    assert [(one["shape"], one["erase"]) for one in shapes] == [
        ("brush", False), ("brush", True), ("polygon", False)
    ]  # fmt: skip
    assert shapes[1]["radius"] < shapes[0]["radius"]
    desk.page.context.close()


def test_a_lost_link_loses_nothing_and_doubles_nothing(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "ben")
    context = desk.page.context
    desk.open(made[KEPT])
    desk.press("1", "1", "3")
    desk.page.reload()
    desk.ready()
    assert desk.focus == "mode:clouding"  # the draft goes on where it was
    desk.press("u", "a")
    context.set_offline(True)
    desk.save()
    notice = desk.page.locator("#label-notice")
    assert "1 label is kept on this device" in notice.inner_text()
    assert "no link" in desk.page.locator("#label-opinion").inner_text().lower()
    assert desk.page.evaluate("dispatchEvent(new Event('beforeunload', {cancelable: true}))") is False  # leaving asks
    context.set_offline(False)
    notice.wait_for(state="hidden", timeout=20_000)
    own = desk.example(made[KEPT])["own"]
    assert own["body"]["modes"]["film"] == "clean-and-reuse"
    # The same label sent again, as after an answer that was lost on its way: the service knows its key.
    desk.page.evaluate(
        """async ([example, own]) => {
          const { Keep } = await import('/static/js/label-keep.js');
          const { Outbox } = await import('/static/js/label-outbox.js');
          const outbox = new Outbox(new Keep('test'));
          const item = { example, body: own.body, seconds: own.seconds, key: 'the same key' };
          const [one, two] = [await outbox.send(item), await outbox.send(item)];
          if (one.label.id !== two.label.id) throw new Error('doubled');
        }""",
        [made[KEPT], own],
    )
    context.close()


def test_two_differ_and_a_third_decides_with_both_in_sight(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    for name, keys in (("ada", ["1", "1", "g", "4"]), ("ben", ["1", "1", "g", "2"])):  # replace wants two people
        desk = desk_of(chromium, base, name)
        desk.open(made[CRACKED])
        assert desk.page.locator("#label-two").is_hidden()  # blind
        assert desk.example(made[CRACKED])["labels"] == []
        desk.press(*keys)
        desk.save()
        desk.page.context.close()
    desk = desk_of(chromium, base, "cyra")
    desk.open(made[CRACKED])
    assert desk.page.locator("h1").inner_text() == "Two people differ: decide"
    differs = desk.page.locator("#label-two tr.differs")
    assert differs.locator("td").all_inner_texts() == ["replace", "serviceable"]
    desk.press("[")
    assert desk.verdict == "Grade: replace."
    desk.save()
    found = desk.example(made[CRACKED])
    assert (found["state"], found["own"]["turn"], found["truth"]["rank"]) == ("settled", 3, "third")
    desk.page.context.close()


def test_the_last_label_is_taken_back_and_shown_again(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "cyra")
    desk.open(made[END])
    desk.press("3", "1", "1", "1", "4", "a")
    desk.save()
    desk.press("p")
    desk.page.wait_for_selector("#label-ask:not([hidden])")
    assert desk.example(made[END])["own"] is None
    assert desk.verdict == "Grade: replace, the worst of the modes."
    desk.press("k")
    assert desk.focus != "label-save"
    desk.page.context.close()


def test_without_single_keys_tab_arrows_and_enter_do(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "cyra")
    desk.page.evaluate("localStorage.setItem('keys-off', 'yes')")
    desk.open(made[DARK])
    desk.press("1", "a", "s", "x")
    assert desk.focus == "part"
    assert desk.page.locator('[aria-checked="true"]').count() == 0
    desk.press("ArrowRight", "Enter")
    assert desk.focus == "fit"
    desk.press("ArrowRight", "ArrowRight", "Space")
    assert desk.focus == "faults"
    desk.press("Tab", "Space")
    assert desk.verdict == "Not fit to judge: blurred."
    for _ in range(40):
        if desk.focus == "label-save":
            break
        desk.press("Tab")
    desk.save()
    desk.page.context.close()


def test_fingers_draw_move_and_pinch(chromium: Browser, house: LabelHouse) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "cyra", "phone", has_touch=True)
    page = desk.page
    desk.open(made[TOUCHED])
    page.locator('[data-question="part"] [data-value="flame_cell"]').tap()
    page.locator('[data-question="fit"] [data-value="true"]').tap()
    page.locator('.label-tools [data-name="window"]:visible').tap()
    box = page.locator("#label-canvas").bounding_box()
    assert box is not None
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    for dx, dy in ((-60, -60), (60, -60), (60, 60), (-60, 60)):
        page.touchscreen.tap(middle[0] + dx, middle[1] + dy)
    assert desk.said == "Window: 4 points, open"
    page.touchscreen.tap(middle[0] - 60, middle[1] - 60)  # the first point closes it
    assert desk.said == "Window: 4 points, closed"
    client = page.context.new_cdp_session(page)

    def touch(kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    before = page.evaluate("Object.values(localStorage).map((one) => JSON.parse(one)).find((one) => one.state)")
    touch("touchStart", (middle[0] + 60, middle[1] + 60))
    touch("touchMove", (middle[0] + 80, middle[1] + 70))
    touch("touchEnd")
    after = page.evaluate("Object.values(localStorage).map((one) => JSON.parse(one)).find((one) => one.state)")
    old, new = (one["state"]["marks"]["window"]["points"] for one in (before, after))
    assert old[:2] == new[:2]
    assert old[3] == new[3]
    assert new[2][0] > old[2][0]
    touch("touchStart", (middle[0] - 40, middle[1]), (middle[0] + 40, middle[1]))
    touch("touchMove", (middle[0] - 100, middle[1]), (middle[0] + 100, middle[1]))
    touch("touchEnd")
    kept = page.evaluate("Object.values(localStorage).map((one) => JSON.parse(one)).find((one) => one.state)")
    assert kept["state"] == after["state"]  # a pinch draws nothing
    page.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_the_desk_is_accessible_in_each_state(chromium: Browser, house: LabelHouse, size: str, scheme: Any) -> None:
    base, made = house.base, house.examples
    desk = desk_of(chromium, base, "yardmaster", size, color_scheme=scheme, bypass_csp=True)
    desk.open(made[LOOKED_AT])
    desk.page.evaluate("localStorage.clear()")
    desk.open(made[LOOKED_AT])
    faults = {"begun": faults_of(desk.page)}
    desk.press("1", "1")
    faults["modes"] = faults_of(desk.page)
    desk.draw(desk.key_of("window"), [(0, 0), (3, 0), (3, 3)])
    faults["drawing"] = faults_of(desk.page)
    desk.press("Escape", desk.key_of("film_loss"), "4")
    faults["series"] = faults_of(desk.page)
    desk.press("Enter", "x")
    faults["leaving out"] = faults_of(desk.page)
    desk.page.context.close()
    assert {name: found for name, found in faults.items() if found} == {}


def test_the_curve_on_the_screen_is_the_one_that_is_measured(chromium: Browser, house: LabelHouse) -> None:
    """Points along the script's pieces lie on the library's outline, for round shapes, corners and random ones."""
    base = house.base
    page = open_at(chromium, "desk").new_page()
    page.goto(f"{base}/login")
    draw = np.random.default_rng(5)
    shapes = [100 * np.array(RING) / 12, np.array([[0, 0], [90, 5], [80, 70], [-10, 60]]), draw.normal(0, 60, (9, 2))]
    for points in shapes:
        ours = page.evaluate(
            """async (points) => {
              const { pieces } = await import('/static/js/label-curve.js');
              const on = ({ from, first, second, to }, t, k) => (1 - t) ** 3 * from[k] + 3 * (1 - t) ** 2 * t * first[k]
                + 3 * (1 - t) * t ** 2 * second[k] + t ** 3 * to[k];
              return pieces(points, { shape: 'outline', closed: true }).flatMap((piece) =>
                [0, 0.25, 0.5, 0.75].map((t) => [on(piece, t, 0), on(piece, t, 1)]));
            }""",
            json.loads(json.dumps(points.tolist())),
        )
        theirs = smooth_outline(points.astype(float), step_px=0.05)
        apart = np.hypot(*(np.array(ours)[:, None] - theirs[None]).transpose(2, 0, 1)).min(axis=1)
        assert apart.max() < 0.06
    page.context.close()
