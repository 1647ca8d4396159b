"""Examples of the answers of teaching for the OpenAPI document. Of our own invention."""

from __future__ import annotations

from typing import Any

EXAMPLE_ID = "9b7c1c56-41f4-4ac5-9d0b-7f0b6a1b7a10"
PHOTO_ID = "2843c747-7926-4a1b-98a9-54a99d32d7e8"
LABEL_ID = "0c0de5ab-5a0b-4a65-8a2b-6b6f2f6b1c55"
AT = "2026-03-02T09:30:00Z"
BODY: dict[str, Any] = {
    "part": "flame_cell",
    "view": "face",
    "fit": True,
    "faults": [],
    "grade": "clean-and-reuse",
    "modes": {"film": "clean-and-reuse", "clouding": "absent", "crack": "absent"},
    "marks": {"rim": {"shape": "outline", "points": [[0.31, 0.22], [0.71, 0.24], [0.7, 0.66], [0.3, 0.64]]}},
    "matches": {"film_loss": 0.2},
    "regions": {},
    "note": "",
}
MEASURED: dict[str, Any] = {
    "film_loss": {"value": 0.2, "low": 0.15, "high": 0.25, "unit": "1", "note": "By the comparison series."}
}
LABEL: dict[str, Any] = {
    "id": LABEL_ID,
    "created_at": AT,
    "by": "bench-1",
    "turn": 1,
    "body": BODY,
    "measured": MEASURED,
    "seconds": 21.4,
    "withdrawn_at": None,
}
EXAMPLE: dict[str, Any] = {
    "id": EXAMPLE_ID,
    "created_at": AT,
    "photo": PHOTO_ID,
    "sha256": "c7f31c3e037e9b27afaca11a6af3c7f3c9e5503ef2efdec015a1890643d34e38",
    "width": 768,
    "height": 768,
    "source": "inspection",
    "state": "to label",
    "asks": "label",
    "own": None,
    "labels": [],
    "differences": [],
    "doubt": None,
    "opinion": None,
    "truth": None,
    "teaches": None,
    "machine": None,
    "split": None,
    "left_out": None,
    "version": 1,
}
LABELLED: dict[str, Any] = EXAMPLE | {
    "state": "second",
    "asks": "correction",
    "own": LABEL,
    "labels": [LABEL],
    "opinion": {"grade": "clean-and-reuse", "possible_grades": ["clean-and-reuse"]},
    "teaches": {"doubt": 0.4},
    "machine": "H-07",
    "split": "train",
}
MANIFEST: dict[str, Any] = {
    "form": "wearvision data set 1",
    "name": "spring",
    "note": "",
    "made": AT,
    "by": "person-3f2a",
    "limits": {"id": "wear-standard", "sha256": "2c5b0f7f0a4f1d5d3c1a7f4b8f4be0a04d1b4d7f1f1a6c0e0d9d7c2b1a0f9e8d"},
    "choice": {},
    "photos": [],
}
"""Of a set that holds nothing yet: a real one names every photo."""

TEACHING_EXAMPLES: dict[str, Any] = {
    "LabelCreate": {"body": BODY, "seconds": 21.4},
    "MeasureAsk": {"body": BODY},
    "MeasuredPublic": {"measured": MEASURED},
    "ExamplePublic": EXAMPLE,
    "ExamplePage": {"items": [EXAMPLE], "next": None},
    "NextPublic": {"example": EXAMPLE, "waiting": 41, "say": ""},
    "LabelSaved": {"label": LABEL, "opinion": LABELLED["opinion"], "example": LABELLED},
    "CountsPublic": {
        "states": {"waiting": 41, "second": 3, "third": 1, "again": 0, "settled": 12, "left out": 1},
        "settled": {"flame_cell, clean-and-reuse": 7, "coupler, replace": 5},
        "splits": {"train": 8, "calibrate": 2, "test": 2},
        "random": 4,
        "permitted": 0,
    },
    "TakenIn": {"added": 1, "examples": [EXAMPLE_ID]},
    "LeaveOut": {"reason": "A hand covers the part."},
    "GradePermission": {"ground": "own part"},
    "PermissionCreate": {
        "inspections": "all",
        "returns": ["26-00042-33"],
        "ground": "own machines; the claimant agreed",
    },
    "PermissionPublic": {"photos": 1, "examples": [EXAMPLE_ID]},
    "Withdrawal": {"reason": "The owner of the machine asked for it."},
    "PhotosWithdrawal": {"photos": [PHOTO_ID], "reason": "The owner of the machine asked for it."},
    "WithdrawnPublic": {
        "photos": 1,
        "left_out": [EXAMPLE_ID],
        "sets": ["march"],
        "models": ["yard-1"],
        "say": "Data sets that hold it: march. Models taught with it: yard-1; they keep what they learned.",
    },
    "AskedOfAll": {
        "views": [
            {
                "part": "flame_cell",
                "view": "face",
                "modes": [
                    {
                        "key": "clouding",
                        "measure": "haze",
                        "title": "Clouding",
                        "grades": ["serviceable", "clean-and-reuse", "replace"],
                        "begins": {"serviceable": "below 0.1", "clean-and-reuse": "0.15 to 0.3", "replace": "from 0.4"},
                        "what": "Mean share of milky veil over the window.",
                        "look": "The window looks milky; wiping does not help.",
                        "permanent": True,
                        "region": "clouding",
                    }
                ],
                "marks": [{"key": "rim", "title": "Front rim", "shape": "outline", "points": 8}],
                "regions": [],
                "matches": ["haze"],
                "by_hand": {"rim_deviation": ["rim"]},
            }
        ],
        "faults": {"too_dark": "The picture is too dark: use more light."},
    },
}
