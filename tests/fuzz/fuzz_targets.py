"""Every target by its name."""

from __future__ import annotations

import file_targets
import picture_targets
import text_targets

TARGETS = {target.name: target for room in (picture_targets, text_targets, file_targets) for target in room.TARGETS}
