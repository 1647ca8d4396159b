"""Examples of the returns desk's answers for the OpenAPI document. Of our own invention."""

from __future__ import annotations

from typing import Any

RETURN_ID = "5f3c6a0e-7a55-4a0e-9d0c-2f6d1a4f9a11"
PHOTO_ID = "2843c747-7926-4a1b-98a9-54a99d32d7e8"
OTHER_ID = "36e17590-7acf-4b0b-b042-0bb753885611"
AT = "2026-03-02T09:30:00Z"
MISSING = {"key": "view:plate", "title": "Plate of the machine", "reason": "", "by": ""}
RETURN: dict[str, Any] = {
    "id": RETURN_ID,
    "number": "26-00042-33",
    "created_at": AT,
    "by": "desk-1",
    "state": "gathering",
    "doubt": 0.78,
    "part": "coupler",
    "part_number": "C-8",
    "lot": "26-11",
    "serial": "",
    "machine_id": None,
    "machine": "H-07",
    "hours_installed": 1200,
    "hours_failed": 1260.5,
    "hours_last_good": None,
    "installed_on": "2026-01-10",
    "failed_on": "2026-02-20",
    "returned_on": "2026-03-02",
    "claimant": "Workshop north",
    "story": "Burner runs, no fuel pressure.",
    "claimed": "defect",
    "value_minor": 4250,
    "currency": "EUR",
    "kept_where": "Shelf 4, box 2",
    "kept_until": "2026-09-30",
    "may_teach": False,
    "grade": None,
    "photos": [
        {
            "id": OTHER_ID,
            "photo": PHOTO_ID,
            "sha256": "c7f31c3e037e9b27afaca11a6af3c7f3c9e5503ef2efdec015a1890643d34e38",
            "view": "end-blower",
            "tag": None,
            "created_at": AT,
        }
    ],
    "readings": [],
    "missing": [MISSING],
    "flags": [],
    "decisions": [],
    "objections": [],
    "closed_at": None,
}
RETURN_EXAMPLES: dict[str, Any] = {
    "Body_add_photo_api_v1_returns__return_id__photos_post": {"file": "the photo's bytes", "view": "end-blower"},
    "Body_take_parcel_api_v1_parcels_post": {"file": "the archive's bytes"},
    "ReturnPublic": RETURN,
    "ReturnPage": {"items": [RETURN], "next": None},
    "WorklistPublic": {"items": [RETURN], "total": 1, "page": 1, "counts": {"gathering": 1, "mine": 1}},
    "WeighedPublic": {
        "missing": [MISSING],
        "findings": [{"about": "crack", "kind": "wear", "state": "may be worn", "cause": "open", "sure": "open"}],
        "proposal": {"outcome": "more evidence", "row": "missing evidence", "needs_second": True, "reasons": []},
        "class": "open",
    },
}
