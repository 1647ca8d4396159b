"""How pages are looked at in Debian's chromium: both sizes, what axe finds, small targets, sideways overflow."""

from __future__ import annotations

import shutil
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page

CHROMIUM = shutil.which("chromium")
IN_BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian package chromium)"),
]
PATIENCE_MS = 120_000
"""That a page comes late on a busy machine is no finding."""
SIZES = {"phone": (390, 844), "desk": (1280, 900)}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
SMALL = """() => [...document.querySelectorAll('a, button, input:not([type=hidden]), select, summary, textarea')]
  .filter((node) => {
    const inText = node.tagName === 'A' && node.closest('p:not(.actions)');
    const around = node.closest('label') ?? node;
    const height = Math.max(node.getBoundingClientRect().height, around.getBoundingClientRect().height);
    return !inText && !node.classList.contains('skip') && height > 0 && height < 43.5;
  }).map((node) => node.outerHTML.slice(0, 100))"""
WIDER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


def open_at(chromium: Browser, size: str, **options: Any) -> BrowserContext:
    """A browser of its own at one of ``SIZES``."""
    width, height = SIZES[size]
    context = chromium.new_context(
        viewport={"width": width, "height": height}, service_workers="block", reduced_motion="reduce", **options
    )
    context.set_default_timeout(PATIENCE_MS)
    return context


def faults_of(page: Page) -> list[str]:
    """What axe finds, targets under 44 pixels, and sideways overflow."""
    found = [
        f"{one['id']}: {one['nodes'][0]['html'][:120]}" for one in Axe().run(page, options=RULES).response["violations"]
    ]
    found += [f"small: {one}" for one in page.evaluate(SMALL)]
    return found + [f"{wide} px too wide" for wide in [page.evaluate(WIDER)] if wide > 0]
