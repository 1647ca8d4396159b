"""What returns are regraded with: a released model, rows of limits, a policy; read from what a person sends."""

from __future__ import annotations

import tomllib

from wearvision.errors import InputError
from wearvision.grade import Grader
from wearvision.network import released_models
from wearvision.standard.limits import override_limits
from wearvision_api.house import House
from wearvision_api.returns.policy_table import Policy, read_policy
from wearvision_api.store.teaching_tables import ModelRow
from wearvision_api.teaching.models import source_of


def grader_of(house: House, model: str, limits: str) -> Grader:
    """A grader beside the one in force.

    Args:
        house: Its limits hold where the text is silent.
        model: Id of a released or a site's model; empty: the one in use. Never a path: whoever asks may not look around
            the disk.
        limits: TOML that overrides rows of the limits; empty: those in force.

    Raises:
        InputError: there is no such model, or the text is no limits.
    """
    source = house.current.in_use.source
    if model:
        with house.session(writes=False) as session:
            if model not in released_models() and session.get(ModelRow, model) is None:
                raise InputError(f"There is no model {model!r}; released are {', '.join(released_models())}.")
            source = source_of(session, house.current.files, model)
    rows = house.grader.limits
    if limits.strip():
        try:
            tables = tomllib.loads(limits)
        except (ValueError, RecursionError) as error:
            raise InputError(f"The limits are not valid TOML: {error}.") from error
        rows = override_limits(rows, tables, "the limits sent")
    if not model and not limits.strip():
        return house.grader
    return Grader(source, rows)


def policy_of(text: str) -> Policy | None:
    """The policy that was sent; None: the one in force. Raises PolicyError."""
    return read_policy("the policy sent", text) if text.strip() else None
