"""Steps are recorded while somebody records, each under its name, and only then."""

from __future__ import annotations

import time

from wearvision.steps import Step, recorded


def test_steps_are_summed_by_name_and_may_hold_others() -> None:
    with recorded() as spent:
        for _ in range(2):
            with Step("outer"), Step("inner"):
                time.sleep(0.002)
    assert set(spent) == {"outer", "inner"}
    assert 0.004 <= spent["inner"] <= spent["outer"]


def test_nothing_is_recorded_without_a_recorder() -> None:
    with recorded() as spent:
        pass
    with Step("after"):
        pass
    assert spent == {}
