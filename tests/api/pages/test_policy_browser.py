"""Debian's chromium over every page: nothing breaks the policy, nothing fails, and uploaded bytes run nowhere.

Against Content Security Policy Level 3 and the MIME Sniffing standard; what the browser itself reports is what counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from fastapi.routing import APIRoute
from playwright.sync_api import Browser, Page

from wearvision_api.app import create_app
from wearvision_api.settings import Settings

from ..accounts.test_roles import routes_of
from ..looks import IN_BROWSER, open_at
from .conftest import ADMINISTRATOR, CELL, SAMPLES, Live

pytestmark = IN_BROWSER

LISTEN = """() => { window.broken = []; document.addEventListener('securitypolicyviolation',
  (event) => window.broken.push(`${event.effectiveDirective} ${event.blockedURI}`)); }"""


class Watched:
    """A page whose violations, errors and failed requests are kept."""

    def __init__(self, page: Page) -> None:
        self.page, self.faults = page, list[str]()
        page.add_init_script(f"({LISTEN})()")
        page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        page.on("console", lambda message: message.type == "error" and self.faults.append(message.text))

    def visit(self, address: str) -> list[str]:
        """What went wrong on one page."""
        self.faults.clear()
        answer = self.page.goto(address, wait_until="networkidle")
        said = [] if answer is not None and answer.status >= 400 else list(self.faults)
        said += [one for one in self.faults if "Content Security" in one and one not in said]
        return said + list(self.page.evaluate("window.broken ?? ['the page runs no script']"))


@pytest.fixture(scope="module")
def desk(live: Live, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """Addresses of the live service: each page without an id, those with records, and a return with its photo."""
    with httpx.Client(base_url=live.base, timeout=60) as http:
        claim = http.post("/api/v1/returns", json={"part": "flame_cell", "machine": "KH-13", "lot": "2611"}).json()[
            "id"
        ]
        photo = http.post(
            f"/api/v1/returns/{claim}/photos",
            files={"file": (SAMPLES / CELL).read_bytes()},
            data={"view": "face"},
        )
        assert photo.status_code == 201, photo.text
        assert http.post(f"/api/v1/returns/{claim}/grade").status_code == 201
        ground = {"ground": "own part"}
        grade = live.paths["read"].rsplit("/", 1)[1]
        assert http.post(f"/api/v1/grades/{grade}/permission", json=ground).status_code == 201
        example = http.get("/api/v1/examples").json()["items"][0]["id"]
        model = http.get("/api/v1/models").json()["items"][0]["id"]
    app = create_app(Settings(data=tmp_path_factory.mktemp("routes")))
    plain = {
        name.removeprefix("GET "): name.removeprefix("GET ")
        for name, route in routes_of(app).items()
        if name.startswith("GET ") and "{" not in name and is_page(route)
    }
    assert len(plain) > 25, sorted(plain)
    return (
        plain
        | live.paths
        | {
            "return": f"/returns/{claim}",
            "label": f"/teaching/label/{example}",
            "model": f"/teaching/models/{model}",
            "no such page": "/no-such-page",
            "wrong query": "/grades?cursor=x",
        }
    )


def is_page(route: APIRoute) -> bool:
    """Whether a browser shows it as a page: all but the API, files, fragments and what looks after the service."""
    others = ("/api/", "/static", "/metrics", "/healthz", "/readyz", "/queue/link")
    return not route.path.startswith(others) and "." not in route.path


@pytest.mark.slow
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_no_page_breaks_the_policy_or_fails(chromium: Browser, live: Live, desk: dict[str, str], size: str) -> None:
    context = open_at(chromium, size)
    watched = Watched(context.new_page())
    found = {name: watched.visit(live.base + path) for name, path in desk.items()}
    context.close()
    assert {name: faults for name, faults in found.items() if faults} == {}


def test_photo_with_a_page_in_it_runs_nothing(chromium: Browser, live: Live) -> None:
    """Opened as a page, as a script, in a frame and as a worker: the browser shows a photo or refuses."""
    script = b"window.ran = true; self.ran = true;"
    evil = b"<html><body><script>" + script + b"</script><h1 id=evil>page</h1></body></html>"
    data = (SAMPLES / CELL).read_bytes()
    # A comment segment right behind the start of the file: what a sniffer reads first.
    polyglot = data[:2] + b"\xff\xfe" + (len(evil) + 2).to_bytes(2, "big") + evil + data[2:] + evil
    with httpx.Client(base_url=live.base, timeout=60) as http:
        made = http.post("/api/v1/photos", files={"file": ("page.html", polyglot, "text/html")})
        assert made.status_code == 201, made.text
    address = f"{live.base}/api/v1/photos/{made.json()['id']}/content"
    context = open_at(chromium, "desk")
    page = context.new_page()
    page.goto(address)
    assert page.evaluate("document.contentType") == "image/jpeg"
    assert page.locator("#evil").count() == 0
    assert page.evaluate("window.ran ?? false") is False
    assert page.evaluate("window.origin") == "null", "a sandbox: it has no origin, so no cookie of ours"
    page.goto(live.base + "/offline")
    kinds: dict[str, Any] = page.evaluate(
        """async (address) => {
          const add = (tag, set) => new Promise((done) => { const node = document.createElement(tag);
            node.onload = () => done('loaded'); node.onerror = () => done('refused');
            Object.assign(node, set); document.body.append(node); setTimeout(() => done('silent'), 3000); });
          const script = await add('script', { src: address });
          const style = await add('link', { rel: 'stylesheet', href: address });
          await add('iframe', { src: address });
          let worker = 'refused';
          try { await new Promise((done, fail) => { const one = new Worker(address); one.onerror = fail;
            setTimeout(() => done(), 1500); }); worker = 'silent'; } catch { worker = 'refused'; }
          return { script, style, worker, ran: window.ran ?? false, frame: window.frames[0]?.length ?? 0 };
        }""",
        address,
    )
    assert kinds["ran"] is False
    assert kinds["script"] == "refused"
    assert kinds["style"] != "loaded"
    assert kinds["worker"] == "refused"
    context.close()


def test_nothing_is_shown_from_the_cache_after_log_out(chromium: Browser, guarded: str) -> None:
    """The next one at this browser goes back in its history and opens addresses that the last one saw."""
    context = open_at(chromium, "desk")
    page = context.new_page()
    page.goto(f"{guarded}/login?next=/accounts")
    page.get_by_label("Name").fill(ADMINISTRATOR[0])
    page.get_by_label("Password").fill(ADMINISTRATOR[1])
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url("**/accounts")
    page.goto(f"{guarded}/account")
    page.get_by_role("button", name="Log out", exact=True).click()
    page.wait_for_url("**/login")
    for _ in range(2):
        page.go_back(wait_until="load")
        assert ADMINISTRATOR[0] not in page.locator("body").inner_text()
        assert page.get_by_role("heading", name="Log in").is_visible()
    page.goto(f"{guarded}/accounts")
    assert page.get_by_role("heading", name="Log in").is_visible()
    assert [one["name"] for one in context.cookies()] == ["wearvision-known"]
    context.close()
