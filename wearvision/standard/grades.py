"""The three grades, from best to worst."""

from __future__ import annotations

from typing import Literal, get_args

Grade = Literal["serviceable", "clean-and-reuse", "replace"]
GRADES: tuple[Grade, ...] = get_args(Grade)


def worst(grades: list[Grade]) -> Grade:
    """The worst of some grades; ``serviceable`` for none."""
    return max(grades, key=GRADES.index, default=GRADES[0])
