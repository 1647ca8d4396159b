"""Examples of requests and answers for the OpenAPI document, by the name of their schema. Of our own invention."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI

from wearvision_api.judging_examples import JUDGING_EXAMPLES
from wearvision_api.return_examples import RETURN_EXAMPLES
from wearvision_api.routes.figure_schemas import FIGURE_EXAMPLES
from wearvision_api.routes.model_schemas import MODEL_EXAMPLES
from wearvision_api.routes.record_schemas import RECORD_EXAMPLES
from wearvision_api.routes.set_schemas import SET_EXAMPLES
from wearvision_api.routes.trust_schemas import TRUST_EXAMPLES
from wearvision_api.teaching_examples import TEACHING_EXAMPLES

PHOTO_ID = "2843c747-7926-4a1b-98a9-54a99d32d7e8"
GRADE_ID = "71b0f89e-5efd-4192-a894-4e83712af4bd"
MACHINE_ID = "a8a6ec91-1014-43f4-a2c2-d3e73fcc0af5"
VISIT_ID = "668a0d12-6d96-4b15-b553-d79f2edc500b"
OTHER_ID = "36e17590-7acf-4b0b-b042-0bb753885611"
AT = "2026-03-02T09:30:00Z"
CAUTION = "Shut down, isolate, lock out, verify dead."

PHOTO: dict[str, Any] = {
    "id": PHOTO_ID,
    "sha256": "c7f31c3e037e9b27afaca11a6af3c7f3c9e5503ef2efdec015a1890643d34e38",
    "media_type": "image/jpeg",
    "bytes": 63610,
    "width": 768,
    "height": 768,
    "taken_at": "2026-03-02T10:28:11",
    "purpose": "as-removed",
    "created_at": AT,
    "erased_at": None,
}
READING: dict[str, Any] = {
    "id": OTHER_ID,
    "check": "cell-lit",
    "value": "1.2 kohm",
    "unit": "",
    "says": "good",
    "text": "The cell sees light.",
    "entered": "1.2 kohm",
    "created_at": AT,
}
GRADE: dict[str, Any] = {
    "id": GRADE_ID,
    "created_at": AT,
    "by": "van-2",
    "photos": [PHOTO_ID],
    "reference": None,
    "inspection": VISIT_ID,
    "part": "flame_cell",
    "grade": "clean-and-reuse",
    "standing": "photo only",
    "holds": "clean-and-reuse",
    "report": {"possible_grades": ["serviceable", "clean-and-reuse"], "measures": [], "causes": []},
    "readings": [READING],
    "verdict": {"standing": "incomplete"},
    "wiping": None,
    "override": None,
    "outcome": {"done": "cleaned and refitted", "note": "", "by": "van-2", "at": AT},
    "asked": {
        "why": "doubt",
        "reason": "The photo leaves it open: serviceable or clean-and-reuse is possible.",
        "checks": ["cell-wipe"],
        "chance": 1.0,
    },
    "pictures": 1,
}
MACHINE: dict[str, Any] = {
    "id": MACHINE_ID,
    "created_at": AT,
    "identifier": "H-07",
    "description": "Heater on the trailer",
    "hours": 1320.5,
    "running_hours": 1320.5,
    "interval_hours": 500,
    "interval_days": 365,
    "notes": "",
    "references": [],
}
DUE: dict[str, Any] = {
    "state": "unknown",
    "on": None,
    "at_hours": None,
    "hours_left": None,
    "days_left": None,
    "first": None,
    "expected": None,
    "reason": "No service is on record: close an inspection as a service, and it is reckoned.",
}
VISIT: dict[str, Any] = {
    "id": VISIT_ID,
    "created_at": AT,
    "by": "van-2",
    "machine": MACHINE_ID,
    "begun_at": AT,
    "closed_at": None,
    "hours": 1320.5,
    "serviced": False,
    "notes": "Dead with power on.",
    "grades": [GRADE_ID],
    "settings": [{"id": OTHER_ID, "created_at": AT, "name": "electrode gap", "value": 3.2, "unit": "mm"}],
    "causes": [],
    "parts_used": [],
}
ACCOUNT: dict[str, Any] = {"id": OTHER_ID, "name": "van-2", "role": "technician", "active": True, "created_at": AT}
TOKEN: dict[str, Any] = {
    "id": OTHER_ID,
    "name": "office export",
    "scopes": ["inspections:read"],
    "created_at": AT,
    "ends_at": "2026-05-31T09:30:00Z",
    "used_at": None,
}
EXAMPLES: dict[str, Any] = {
    "Body_take_api_v1_photos_post": {"file": "the photo's bytes", "purpose": "as-removed"},
    **RECORD_EXAMPLES,
    **FIGURE_EXAMPLES,
    **RETURN_EXAMPLES,
    **TEACHING_EXAMPLES,
    **MODEL_EXAMPLES,
    **SET_EXAMPLES,
    **TRUST_EXAMPLES,
    **JUDGING_EXAMPLES,
    "Body_read_in_api_v1_fitted_import_post": {"file": "the table's bytes"},
    "PhotoPublic": PHOTO,
    "GradeCreate": {"photos": [PHOTO_ID], "part": "flame_cell", "inspection": VISIT_ID},
    "ReadingCreate": {"check": "cell-lit", "value": "1.2 kohm"},
    "OverrideUpdate": {"grade": "replace", "reason": "The window is loose in its ring."},
    "OutcomeUpdate": {"done": "replaced", "note": "Keyed end first."},
    "WipingUpdate": {"after": PHOTO_ID},
    "GradePublic": GRADE,
    "GradePage": {"items": [GRADE], "next": None},
    "MachinePublic": MACHINE,
    "MachinePage": {"items": [MACHINE], "next": None},
    "DuePublic": DUE,
    "HistoryPublic": {"machine": MACHINE_ID, "running_hours": 1320.5, "series": []},
    "InspectionPublic": VISIT,
    "InspectionPage": {"items": [VISIT], "next": None},
    "StartsPublic": {
        "starts": [{"id": "dead", "title": "Dead with the power on", "checks": ["chamber"], "then": "running"}],
        "checks": [],
        "ends": [],
        "pairs": [],
        "cautions": [CAUTION],
    },
    "WalkPublic": {
        "id": OTHER_ID,
        "created_at": AT,
        "start": "dead",
        "title": "Dead with the power on",
        "inspection": VISIT_ID,
        "steps": [],
        "end": None,
    },
    "ChecksPublic": {
        "checks": [{"id": "coupler-wipe", "title": "Wipe the coupler", "part": "coupler"}],
        "cautions": [CAUTION],
        "units": {"mm": {"mm": 1.0, "in": 25.4}},
        "open": ["open"],
    },
    "FitnessPublic": {
        "limits": {"tilt_deg": 44.0},
        "advice": {"too_dark": "The picture is too dark: use more light."},
        "courses": ["to the right"],
    },
    "MePublic": {"id": OTHER_ID, "name": "van-2", "role": "technician"},
    "AccountPublic": ACCOUNT,
    "AccountPage": {"items": [ACCOUNT], "next": None},
    "TokenPage": {"items": [TOKEN], "next": None},
    "TokenIssued": TOKEN | {"token": "wvk_shown-this-once"},
}
"""Schemas that are not named here carry their example themselves."""
EXPORT = {"machine": MACHINE, "due": DUE, "inspection": VISIT, "grades": [GRADE], "photos": [PHOTO], "walks": []}
PLAIN = {"/healthz": {"status": "alive"}, "/readyz": {"status": "ready", "model": "mixed-2"}}
"""Answers without a schema of their own, by their address."""


def install(app: FastAPI) -> None:
    """Puts the examples into the document that the service gives out."""
    bare = app.openapi

    def openapi() -> dict[str, Any]:
        is_new = app.openapi_schema is None
        document = bare()
        if is_new:
            _add(document)
        return document

    app.openapi = openapi  # type: ignore[method-assign]  # the way that FastAPI's documentation shows


def _add(document: dict[str, Any]) -> None:
    schemas = document["components"]["schemas"]
    for name, example in EXAMPLES.items():
        schemas[name]["examples"] = [example]
    export = schemas["InspectionExport"]
    fixed = {name: row["const"] for name, row in export["properties"].items() if "const" in row}
    export["examples"] = [fixed | EXPORT | {"exported_at": AT}]
    for path, example in PLAIN.items():
        document["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["example"] = example
