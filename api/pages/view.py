"""Shows a page: one template with one context, for one caller."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import Caller
from wearvision_api.pages import units

TEMPLATES = Path(__file__).parent / "templates"


DESK = (
    ("returns:read", "/returns", "Returns"),
    ("figures:read", "/figures", "Figures"),
    ("teaching:read", "/teaching", "Teaching"),
    ("trust:read", "/trust", "How often right"),
)
"""Pages in the head of every page for those who may see them."""


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


def show(request: Request, who: Caller | None, template: str, context: Any, status: int = 200) -> HTMLResponse:
    """A page as an answer; it is somebody's own, so no one else may keep it.

    Args:
        request: For its address and the units that this browser has chosen.
        who: Who sees it; forms carry the secret of this log-in. None for a page that anybody may see.
        template: Name of the file.
        context: The page's own dataclass.
        status: Of the answer.
    """
    html = (
        environment()
        .get_template(template)
        .render(
            context=context,
            who=who,
            account=who.name if who is not None and who.id != LOCAL_ID else "",
            csrf=who.csrf if who is not None else "",
            path=request.url.path,
            desk=tuple((href, name) for action, href, name in DESK if who is not None and who.may(action)),
            units=units.chosen(request),
            systems=tuple(units.TITLES.items()),
        )
    )
    return HTMLResponse(html, status, headers={"Cache-Control": "private, no-store"})
