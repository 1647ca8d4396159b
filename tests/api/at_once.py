"""Several steps at the same time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from wearvision_api.problems import Problem


def together(*acts: Callable[[], Any]) -> list[Any]:
    """Does all at the same time; gives results, and the codes of problems."""
    gate = threading.Barrier(len(acts))

    def go(act: Callable[[], Any]) -> Any:
        gate.wait()
        try:
            return act()
        except Problem as problem:
            return problem.code

    with ThreadPoolExecutor(len(acts)) as pool:
        return list(pool.map(go, acts))
