"""Amounts of money. Decimals of currencies: ISO 4217 (values from memory)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.problems import Problem
from wearvision_api.returns.money import MOST_MINOR, amount_words, minor_of, plain_amount


@pytest.mark.parametrize(
    ("text", "currency", "minor"),
    [
        ("129.50", "EUR", 12950),
        ("129,5", "EUR", 12950),
        ("1 290", "EUR", 129000),
        ("1'290", "CHF", 129000),
        ("1290", "JPY", 1290),
        ("1.290", "KWD", 1290),
        ("0", "EUR", 0),
        ("", "EUR", None),
    ],
)
def test_typed_amounts(text: str, currency: str, minor: int | None) -> None:
    assert minor_of(text, currency) == minor


@pytest.mark.parametrize(
    ("text", "currency"),
    [
        ("1.290", "EUR"),
        ("1.5", "JPY"),
        ("1.290,50", "EUR"),
        ("-3", "EUR"),
        ("nan", "EUR"),
        ("Infinity", "EUR"),
        ("1e400", "EUR"),
        ("12 apples", "EUR"),
        ("9" * 30, "EUR"),
    ],
)
def test_what_is_no_clear_amount_is_asked_again(text: str, currency: str) -> None:
    with pytest.raises(Problem, match=r"amount|decimals|more than"):
        minor_of(text, currency)


def test_amounts_for_people() -> None:
    assert amount_words(129000, "EUR") == "1\u202f290.00\u00a0EUR"
    assert amount_words(1290, "JPY") == "1\u202f290\u00a0JPY"
    assert amount_words(5, "EUR") == "0.05\u00a0EUR"
    assert amount_words(None, "") == ""


@given(st.integers(0, MOST_MINOR), st.sampled_from(["EUR", "JPY", "KWD", "CLF"]))
def test_nothing_is_lost_on_the_way(minor: int, currency: str) -> None:
    assert minor_of(plain_amount(minor, currency), currency) == minor
    assert minor_of(amount_words(minor, currency).removesuffix(f"\u00a0{currency}"), currency) == minor


@given(st.text(max_size=30))
def test_any_text_gives_an_amount_or_a_problem(text: str) -> None:
    try:
        found = minor_of(text, "EUR")
    except Problem:
        return
    assert found is None or 0 <= found <= MOST_MINOR
