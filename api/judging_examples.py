"""Examples of agreement, doubts and practice for the OpenAPI document. Of our own invention."""

from __future__ import annotations

from typing import Any

from wearvision_api.routes.agreement_schemas import AGREEMENT_EXAMPLES

JUDGING_EXAMPLES: dict[str, Any] = {**AGREEMENT_EXAMPLES}
