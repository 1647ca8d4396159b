"""The OpenAPI document tells the truth: generated requests find no unplanned 5xx and no answer off its schema.

Schemathesis, in process, without a network; and every route of the document has examples.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as bounds
from schemathesis.specs.openapi.checks import positive_data_acceptance

from wearvision_api.app import create_app
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.settings import Settings

SAMPLES = Path(__file__).parents[2] / "sample_images"
ORIGIN = "http://127.0.0.1"
EXAMPLES = 5
"""A route; 40 s for all of them on two shared cores."""
NO_SUCH_RECORD = positive_data_acceptance
"""No schema can say that a cursor was given out, a photo is a photo, or a password is not a common one."""


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    made = create_app(Settings(data=tmp_path_factory.mktemp("data"), workers=1, waiting=8, hosts="testserver"))
    with TestClient(made, base_url=ORIGIN):
        yield made


DOCUMENT: dict[str, Any] = create_app(Settings()).openapi()
OPERATIONS = {one.ok().label: one.ok() for one in schemathesis.openapi.from_dict(DOCUMENT).get_all_operations()}


@pytest.fixture(scope="module")
def known(app: FastAPI) -> dict[str, str]:
    """Ids of real records by the name that routes give them, so that not every answer is a 404."""
    http = TestClient(app, base_url=ORIGIN)

    def made(path: str, **sent: Any) -> str:
        answer = http.post(f"/api/v1/{path}", **sent)
        assert answer.status_code == 201, answer.text
        return str(answer.json()["id"])

    photo = made("photos", files={"file": next(iter(sorted(SAMPLES.glob("flame_cell*.jpg")))).read_bytes()})
    machine = made("machines", json={"identifier": "H-07", "hours": 1210})
    visit = made("inspections", json={"machine": machine, "hours": 1320})
    grade = made("grades", json={"photos": [photo], "part": "flame_cell", "inspection": visit})
    http.post(f"/api/v1/grades/{grade}/readings", json={"check": "cell-lit", "value": "1.2 kohm"})
    claim = made("returns", json={"part": "flame_cell", "hours_installed": 10, "hours_failed": 60, "claimant": "yard"})
    face = {"file": next(iter(sorted(SAMPLES.glob("flame_cell*.jpg")))).read_bytes()}
    shown = http.post(f"/api/v1/returns/{claim}/photos", files=face, data={"view": "face"}).json()
    return {
        "photo_id": photo,
        "machine_id": machine,
        "inspection_id": visit,
        "grade_id": grade,
        "return_id": claim,
        "evidence_id": shown["photos"][0]["id"],
        "flag_id": shown["flags"][0]["id"],
    }


@pytest.mark.parametrize("label", OPERATIONS)
def test_generated_requests_get_described_answers(label: str, app: FastAPI, known: dict[str, str]) -> None:
    operation = OPERATIONS[label]
    operation.schema.app = operation.app = app

    @bounds(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def check(case: Any) -> None:
        for name in known.keys() & (case.path_parameters or {}).keys():
            if re.fullmatch(UUID_FORM, str(case.path_parameters[name])):
                case.path_parameters[name] = known[name]
        case.call_and_validate(excluded_checks=[NO_SUCH_RECORD])

    check()


def _example(schema: dict[str, Any]) -> Any:
    if "$ref" in schema:
        schema = DOCUMENT["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
    return schema.get("example", (schema.get("examples") or [None])[0])


def _contents() -> Iterator[tuple[str, dict[str, Any]]]:
    """JSON and forms that each route takes or gives on success."""
    for path, methods in DOCUMENT["paths"].items():
        for method, route in methods.items():
            bodies = [route.get("requestBody", {})]
            bodies += [answer for status, answer in route["responses"].items() if status.startswith("2")]
            for body in bodies:
                for kind, content in body.get("content", {}).items():
                    if kind in ("application/json", "multipart/form-data"):
                        yield f"{method} {path} {kind}", content


def test_every_route_has_examples_that_fit_their_schema() -> None:
    found = list(_contents())
    assert len(found) > 50
    for name, content in found:
        example = content.get("example", _example(content["schema"]))
        assert example is not None, f"{name} has no example"
        whole = content["schema"] | {"components": DOCUMENT["components"]}
        jsonschema_rs.validator_for(whole, validate_formats=True).validate(example)
