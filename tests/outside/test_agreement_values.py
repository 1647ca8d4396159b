"""Agreement of people against published worked examples (handbook, section 7) and against reference libraries.

SEEN, MEM and CALC beside a value are the handbook's marks: read in the source, from memory, computed independently.
"""

from __future__ import annotations

import krippendorff
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from wearvision_api.teaching.alpha import alpha
from wearvision_api.teaching.kappa import cohen, cohen_of, distances, fleiss

NO_ROUNDS = 20
"""Where only the value is looked at."""


def from_table(table: list[list[int]], times: int = 1) -> tuple[list[int], list[int]]:
    """Two people's labels whose cross table this is."""
    cells = [(i, j) for i, row in enumerate(table) for j, count in enumerate(row) for _ in range(count * times)]
    return [i for i, _ in cells], [j for _, j in cells]


def units(rows: str) -> list[list[int]]:
    """Labels of each unit from a table of people by units; a star is missing."""
    people = [row.split() for row in rows.strip().splitlines()]
    return [[int(said) for said in unit if said != "*"] for unit in zip(*people, strict=True)]


def value(figure: object) -> float:
    found = figure.value  # type: ignore[attr-defined]
    assert found is not None
    return float(found)


def test_fleiss_ten_items_by_fourteen() -> None:
    """C7.1, SEEN in statsmodels' tests, from an encyclopedia's example: 0.209931."""
    rows = """0 0 0 0 14|0 2 6 4 2|0 0 3 5 6|0 3 9 2 0|2 2 8 1 1|7 7 0 0 0|3 2 6 3 0|2 5 3 2 2|6 5 2 1 0|0 2 2 3 7"""
    counts = [[int(one) for one in row.split()] for row in rows.split("|")]
    labels = [[level for level, count in enumerate(row) for _ in range(count)] for row in counts]
    assert value(fleiss(labels, range(5), rounds=NO_ROUNDS)) == pytest.approx(0.209931, abs=5e-7)


DIAGNOSES = (
    "444444 222555 233335 555555 222444 113333 333355 113334 114444 555555 144444 124444 222333 144444 224445 "
    "333335 111455 111112 224444 133555 555555 244444 224555 114444 144445 222224 111155 224444 133333 555555"
)


def test_fleiss_thirty_patients_by_six() -> None:
    """C7.2, Fleiss 1971, SEEN in statsmodels' tests (R irr): 0.4302445."""
    labels = [[int(digit) for digit in group] for group in DIAGNOSES.split()]
    found = fleiss(labels, range(1, 6))
    assert value(found) == pytest.approx(0.4302445, abs=5e-8)
    assert found.of == 30
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.4302445 < found.high


TABLE = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]


@pytest.mark.parametrize(
    ("weights", "expected", "error"),
    [
        (None, 0.4842, 0.1380),  # SEEN, SAS output in statsmodels' tests
        ("linear", 0.4701, 0.1457),  # SEEN there
        ("quadratic", 0.4502, None),  # CALC
    ],
)
def test_cohen_against_sas(weights: object, expected: float, error: float | None) -> None:
    """C7.3: values, and the interval against the asymptotic standard error (ASE) of the same table.

    On the table itself, n = 19, the spread of the drawings is to the ASE as one in four; of a hundred such tables
    together the ASE is a tenth, and the ends must lie where the normal interval's do.
    """
    found = cohen(*from_table(TABLE), range(3), weights)  # type: ignore[arg-type]
    assert value(found) == pytest.approx(expected, abs=5e-5)
    assert found.of == 19
    assert "Only 19 examples" in found.note
    if error is None:
        return
    assert found.low is not None
    assert found.high is not None
    assert (found.high - found.low) / (2 * 1.96 * error) == pytest.approx(1, abs=0.25)
    many = cohen(*from_table(TABLE, 100), range(3), weights, rounds=20000)  # type: ignore[arg-type]
    assert many.low == pytest.approx(value(many) - 1.96 * error / 10, abs=0.1 * error / 10 * 1.96)
    assert many.high == pytest.approx(value(many) + 1.96 * error / 10, abs=0.1 * error / 10 * 1.96)


A = [3, 6, 4, 6, 2, 4, 2, 4, 3, 3, 2, 3, 3, 3, 2, 2, 1, 3, 3, 4]
B = [2, 1, 4, 4, 3, 2, 1, 6, 1, 1, 1, 2, 3, 3, 1, 1, 3, 3, 2, 2]


@pytest.mark.parametrize(
    ("weights", "dropped", "kept"),
    [
        (None, -0.006289308, -0.006289308),
        ("linear", 0.1459075, 0.126214),
        ("quadratic", 0.2520325, 0.229798),
    ],
)
def test_cohen_with_an_unused_level(weights: object, dropped: float, kept: float) -> None:
    """C7.4: level 5 is used by nobody. Dropped: SEEN, R irr; kept: CALC. This program keeps what it is given."""
    used = [1, 2, 3, 4, 6]
    assert value(cohen(A, B, used, weights, rounds=NO_ROUNDS)) == pytest.approx(dropped, abs=5e-8)  # type: ignore[arg-type]
    every = cohen(A, B, range(1, 7), weights, rounds=NO_ROUNDS)  # type: ignore[arg-type]
    assert value(every) == pytest.approx(kept, abs=5e-7)


@pytest.mark.parametrize(
    ("table", "expected"),
    [([[20, 5], [10, 15]], 0.4), ([[45, 15], [25, 15]], 0.1304), ([[25, 35], [5, 35]], 0.2593)],
)
def test_cohen_of_the_same_share_of_agreement(table: list[list[int]], expected: float) -> None:
    """C7.5, MEM=CALC."""
    assert value(cohen(*from_table(table), range(2), rounds=NO_ROUNDS)) == pytest.approx(expected, abs=5e-5)


SET_A = """
* * * * * 3 4 1 2 1 1 3 3 * 3
1 * 2 1 3 3 4 3 * * * * * * *
* * 2 1 3 4 4 * 2 1 1 3 3 * 4
"""
SET_B = """
1 2 3 3 2 1 4 1 2 * * *
1 2 3 3 2 2 4 1 2 5 * 3
* 3 3 3 2 3 4 2 2 5 1 *
1 2 3 3 2 4 4 1 2 5 1 *
"""


@pytest.mark.parametrize(
    ("rows", "scale", "expected", "within"),
    [
        (SET_A, "nominal", 0.691358, 5e-7),  # C7.6, SEEN in the reference package's tests
        (SET_A, "interval", 0.810845, 5e-7),  # SEEN there
        (SET_A, "ordinal", 0.806721, 5e-7),  # CALC
        (SET_B, "ordinal", 0.815, 5e-4),  # C7.7, SEEN there
        (SET_B, "nominal", 0.743, 5e-4),  # MEM=CALC, Krippendorff 2011
        (SET_B, "interval", 0.849, 5e-4),  # MEM=CALC, Krippendorff 2011
    ],
)
def test_krippendorff(rows: str, scale: object, expected: float, within: float) -> None:
    found = alpha(units(rows), range(1, 6), scale)  # type: ignore[arg-type]
    assert value(found) == pytest.approx(expected, abs=within)
    assert found.low is not None
    assert found.high is not None
    assert found.low <= value(found) <= found.high


people = st.integers(2, 5)
ratings = people.flatmap(
    lambda count: st.lists(
        st.lists(st.sampled_from([0, 1, 2, 3, None]), min_size=count, max_size=count), min_size=2, max_size=25
    )
)


@given(ratings, st.sampled_from(["nominal", "ordinal", "interval"]))
def test_alpha_is_that_of_the_reference_package(rows: list[list[int | None]], scale: str) -> None:
    labels = [[said for said in row if said is not None] for row in rows]
    found = alpha(labels, range(4), scale, rounds=NO_ROUNDS)  # type: ignore[arg-type]
    if found.value is None:
        paired = [row for row in labels if len(row) > 1]
        alike = len({said for row in paired for said in row}) < 2
        assert alike or len(paired) < 2, "only labels that are all alike, or those of one unit, have no alpha here"
        return
    data = np.array(rows, dtype=float).T
    reference = krippendorff.alpha(
        reliability_data=data,
        value_domain=[0, 1, 2, 3],
        level_of_measurement=scale,  # type: ignore[arg-type]
    )
    assert value(found) == pytest.approx(reference, abs=1e-9)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=2, max_size=40))
def test_cohen_of_drawings_is_that_of_both_libraries(pairs: list[tuple[int, int]]) -> None:
    """The formula used for the drawings, at once for many tables, against scikit-learn and statsmodels."""
    one, other = zip(*pairs, strict=True)
    if len({*one, *other}) == 1:
        return
    table = np.zeros((4, 4), np.int64)
    np.add.at(table, (one, other), 1)
    for ours, name in ((None, None), ("linear", "linear"), ("quadratic", "quadratic")):
        found = cohen_of(table.reshape(1, -1), distances(4, ours))[0]  # type: ignore[arg-type]
        assert found == pytest.approx(cohen_kappa_score(one, other, labels=range(4), weights=name), abs=1e-12)
        if np.count_nonzero(table.sum(0)) > 1 and np.count_nonzero(table.sum(1)) > 1:
            weight = None if name is None else np.abs(distances(4, ours))  # type: ignore[arg-type]
            reference = cohens_kappa(table, weights=weight, wt=None, return_results=False)
            assert found == pytest.approx(reference, abs=1e-9)


@given(st.lists(st.lists(st.integers(0, 2), min_size=3, max_size=3), min_size=2, max_size=30))
def test_fleiss_of_three_is_between_its_ends(rows: list[list[int]]) -> None:
    found = fleiss(rows, range(3), rounds=200)
    if found.value is None:
        return
    table = np.array([[row.count(level) for level in range(3)] for row in rows])
    assert found.value == pytest.approx(fleiss_kappa(table), abs=1e-12)
    assert found.low is None or found.high is None or -1 <= found.low <= found.high <= 1
