"""Shows a page: one template with one context, for one caller."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from wearvision_api.accounts.roles import Caller

TEMPLATES = Path(__file__).parent / "templates"


@cache
def environment() -> Environment:
    """The templates; a name that a context lacks raises, and everything is escaped."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def show(request: Request, who: Caller, template: str, context: Any) -> HTMLResponse:
    """A page as an answer; it is somebody's own, so no one else may keep it.

    Args:
        request: For its address.
        who: Who sees it; forms carry the secret of this log-in.
        template: Name of the file.
        context: The page's own dataclass.
    """
    page = environment().get_template(template)
    html = page.render(context=context, who=who, csrf=who.csrf, path=request.url.path)
    return HTMLResponse(html, headers={"Cache-Control": "private, no-store"})
