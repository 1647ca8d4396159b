"""Files that a route gives out."""

from __future__ import annotations

from fastapi import Response


def download(data: bytes, media_type: str, name: str) -> Response:
    """A file of somebody's records, shown in the browser under a name of its own.

    Args:
        data: The file.
        media_type: Of the file.
        name: ASCII without quotes.
    """
    headers = {
        "Content-Disposition": f'inline; filename="{name}"',
        "Cache-Control": "private, no-cache",
        "X-Content-Type-Options": "nosniff",
    }
    return Response(data, media_type=media_type, headers=headers)
