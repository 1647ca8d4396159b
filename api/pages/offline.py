"""What a phone needs to go on without a link: worker, manifest, the page that stands in, and who is logged in."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Response
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from wearvision_api.deps import CallerDep
from wearvision_api.routes.schemas import Public

HERE = Path(__file__).parent
STATIC = HERE / "static"
WORKER = "sw.js"
MANIFEST = {
    "id": "/",
    "name": "wearvision: burner parts",
    "short_name": "wearvision",
    "description": "Grades wear of burner parts from a photo, with the hand checks that confirm it.",
    "lang": "en-GB",
    "start_url": "/",
    "scope": "/",
    "display": "standalone",
    "background_color": "#f4f2ec",
    "theme_color": "#1f3a45",
    "icons": [
        {"src": "/static/icons/icon.svg", "sizes": "any", "type": "image/svg+xml"},
        {"src": "/static/icons/icon-192.png", "sizes": "192x192", "type": "image/png", "purpose": "any"},
        {"src": "/static/icons/icon-512.png", "sizes": "512x512", "type": "image/png", "purpose": "any"},
        {"src": "/static/icons/icon-512.png", "sizes": "512x512", "type": "image/png", "purpose": "maskable"},
    ],
    "shortcuts": [
        {"name": "Take a photo", "url": "/offline#take"},
        {"name": "Where to start", "url": "/offline#start"},
        {"name": "On this phone", "url": "/queue"},
    ],
}

# Public: the same for everybody, and a phone must be able to keep it before anybody logs in.
router = APIRouter(include_in_schema=False)


class LinkPublic(Public):
    """Who is logged in, as the phone's queue asks before it sends."""

    account: str
    csrf: str


@router.get("/queue/link")
def link(response: Response, who: CallerDep) -> LinkPublic:
    """Shows that there is a link, and gives the token that requests of this log-in carry."""
    response.headers["Cache-Control"] = "no-store"
    return LinkPublic(account=who.id, csrf=who.csrf)


@router.get("/offline")
@router.get("/queue")
def shell() -> HTMLResponse:
    """The page that opens without a link; it knows nobody, so that a shared phone may keep it."""
    return HTMLResponse(page(), headers={"Cache-Control": "no-cache"})


@router.get("/manifest.webmanifest")
def manifest() -> Response:
    """Makes the page installable."""
    return Response(json.dumps(MANIFEST), media_type="application/manifest+json", headers={"Cache-Control": "no-cache"})


@router.get(f"/{WORKER}")
def worker() -> Response:
    """The service worker; a change of any file that it keeps changes its first lines, so that phones fetch anew."""
    files = shell_files()
    head = f"const VERSION = {json.dumps(version())};\nconst FILES = {json.dumps(files)};\n"
    text = head + (STATIC / WORKER).read_text("utf-8")
    return Response(text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@cache
def page() -> str:
    """The stand-in's HTML."""
    templates = Environment(loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined)
    return templates.get_template("offline.html").render()


@cache
def shell_files() -> list[str]:
    """Addresses of all that the stand-in is made of."""
    kept = [path for path in sorted(STATIC.rglob("*")) if path.suffix in {".css", ".js", ".svg", ".png", ".woff2"}]
    files = [f"/static/{path.relative_to(STATIC).as_posix()}" for path in kept if path.name != WORKER]
    return ["/offline", "/manifest.webmanifest", *files]


@cache
def version() -> str:
    """Hash over all that the worker keeps, and itself."""
    digest = hashlib.sha256(page().encode() + json.dumps(MANIFEST).encode())
    for path in sorted(STATIC.rglob("*")):
        if path.is_file():
            digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]
