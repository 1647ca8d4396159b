"""The phone reads a hand check's reading exactly as the library does: same finding, same sentence, same refusal."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from wearvision.errors import ReadingError
from wearvision.readings import UNITS, read_reading
from wearvision.standard.checks import Check, load_checks

from . import node

TYPED = ("", "soon", "3 flashes", "9 flashes", "1 flash", "open", "OL", " O.L ", "infinite", "over range", "-5", "1,5",
         "0", "1/8", "3/0", "5/8-3/4", "800-1600", "1600 to 800", "15 … 20", "1.65 kohm", "1.65 m", "2 Mohm", "1e3",
         "it's", 'a "quote"', "Short", "  crack ", "0.5 in", "85 %", "123456.7", "1234567", "0.00001")  # fmt: skip


def values_for(check: Check) -> list[Any]:
    """Every band's ends and what lies just beside them, every word, every code, every unit, and nonsense."""
    assert check.reading is not None
    ends = {end for answer in check.reading.answers for end in (answer.low, answer.high) if 0 <= end < 1e12}
    near = sorted({value for end in ends for value in (end, end * 0.999, end * 1.001, end + 1, max(0.0, end - 1))})
    spans: list[Any] = [{"low": near[i], "high": near[-1 - i]} for i in range(0, len(near), 3)]
    words = [form for word in check.reading.words for form in (word, word.upper(), f"  {word} ")]
    units = [{"value": value, "unit": unit} for unit in ("", "ohm", "kΩ", "GΩ", "mm", "inch", "%", "volt")
             for value in (1, "0.7", "12-13", "4 mm")]  # fmt: skip
    flashes = [{"flashes": count} for count in range(6)]
    return [*near, *(f"{value:g}" for value in near), *spans, *words, *units, *flashes, *TYPED, -1]


CASES = [
    (check.id, value)
    for check in load_checks().rows.values()
    if check.reading is not None
    for value in values_for(check)
]


def by_library(check_id: str, value: Any) -> dict[str, Any]:
    try:
        found = read_reading(load_checks().rows[check_id], value)
    except ReadingError as error:
        return {"refused": str(error)}
    return {"entered": found.entered, "says": found.says, "text": found.text, "low": found.low, "high": found.high}


def test_phone_and_library_agree_on_every_reading(client: TestClient) -> None:
    data = client.get("/api/v1/checks").json()
    script = """
      const { readReading, ReadingError } = await load("readings.js");
      const checks = Object.fromEntries(given.data.checks.map((check) => [check.id, check]));
      return given.cases.map(([id, value]) => {
        try {
          const { entered, says, text, low, high } = readReading(checks[id], value, given.data);
          return { entered, says, text, low, high };
        } catch (error) {
          if (!(error instanceof ReadingError)) throw error;
          return { refused: error.message };
        }
      });
    """
    phone = node.run(script, {"data": data, "cases": CASES})
    library = [by_library(*case) for case in CASES]
    assert len(CASES) > 1000
    for said in phone:
        if said.get("high") is None and "text" in said and said["low"] is not None:
            said["high"] = float("inf")  # JSON has no infinity
    differing = [row for row in zip(CASES, phone, library, strict=True) if row[1] != row[2]]
    assert not differing, f"{len(differing)} of {len(CASES)}: {differing[:3]}"
    kinds = {row.get("says", "refused") for row in library}
    assert kinds == {"good", "clean", "replace", "again", "elsewhere", "adjust", "refused"}


@pytest.mark.parametrize("number", [0.0, 1.0, 999999.4, 1e6, 1234567.0, 1e-4, 9.9999e-5, 0.1 + 0.2, 1e21, 2 / 3])
def test_numbers_are_written_as_python_writes_them(number: float) -> None:
    assert node.run('return (await load("readings.js")).general(given);', number) == f"{number:g}"


def test_units_reach_the_phone(client: TestClient) -> None:
    assert client.get("/api/v1/checks").json()["units"] == UNITS
