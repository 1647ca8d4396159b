"""Lets the fuzzing tests share their targets, and the scenes of return tags."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
