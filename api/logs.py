"""Log lines as JSON on standard error: what a request came to, and errors; no content, no names, no query strings."""

from __future__ import annotations

import logging
import sys
from typing import Any, TextIO

import structlog
from structlog.typing import Processor

TWICE = "Exception in ASGI application"
"""How uvicorn begins its own report of an error that our handler has reported already."""


def configure(stream: TextIO = sys.stderr) -> None:
    """Sends every log line of this process through one form; called once, by the command that serves.

    Args:
        stream: Where lines go.
    """
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    handler = logging.StreamHandler(stream)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, structlog.stdlib.ExtraAdder()],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                _traceback(),
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)  # what libraries tell at leisure may hold addresses and names
    logging.getLogger("wearvision_api").setLevel(logging.INFO)
    server = logging.getLogger("uvicorn.error")
    if _once not in server.filters:
        server.addFilter(_once)
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )


def _once(record: logging.LogRecord) -> bool:
    return not str(record.msg).startswith(TWICE)


def _traceback() -> Processor:
    # Local variables would carry photos, names and passwords.
    transformer = structlog.tracebacks.ExceptionDictTransformer(show_locals=False, max_frames=30)
    return structlog.processors.ExceptionRenderer(transformer)


def logger(name: str) -> Any:
    """A named logger that takes its facts as keywords."""
    return structlog.stdlib.get_logger(name)
