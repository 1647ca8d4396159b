"""Examples of agreement, doubts and practice for the OpenAPI document. Of our own invention."""

from __future__ import annotations

from typing import Any

from wearvision_api.routes.agreement_schemas import AGREEMENT_EXAMPLES
from wearvision_api.routes.doubt_schemas import DOUBT_EXAMPLES
from wearvision_api.routes.practice_schemas import PRACTICE_EXAMPLES

JUDGING_EXAMPLES: dict[str, Any] = {**AGREEMENT_EXAMPLES, **DOUBT_EXAMPLES, **PRACTICE_EXAMPLES}
