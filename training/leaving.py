"""Worker processes that leave with the process that began them, also where that was killed and could tell nobody."""

from __future__ import annotations

import os
import threading
import time

LOOK_S = 1.0


def leave_with(parent: int) -> None:
    """Ends this process soon after its parent is gone.

    Args:
        parent: Number of the parent, as that knows itself.
    """

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(LOOK_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
