"""The OpenAPI document tells the truth: generated requests find no unplanned 5xx and no answer off its schema.

Schemathesis, in process, without a network; and every route of the document has examples.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as bounds
from schemathesis.specs.openapi.checks import positive_data_acceptance

from wearvision_api.app import create_app
from wearvision_api.settings import Settings

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


@pytest.mark.parametrize("label", OPERATIONS)
def test_generated_requests_get_described_answers(label: str, app: FastAPI) -> None:
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
        case.call_and_validate(excluded_checks=[NO_SUCH_RECORD])

    check()
