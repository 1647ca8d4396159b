"""Released models, a folder each; ``DEFAULT`` is the one that ``wearvision grade`` uses."""

DEFAULT = "mixed-2"
