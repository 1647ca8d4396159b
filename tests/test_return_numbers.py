"""Check digits of return numbers, against published numbers of the same system (ISO/IEC 7064, MOD 97-10)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.return_numbers import check_digits, read_number, with_check_digits

SEVEN = st.text("0123456789", min_size=7, max_size=7)


@pytest.mark.parametrize(
    ("digits", "check"),
    [
        ("794", "44"),  # ISO/IEC 7064:2003, worked example of MOD 97-10; value from memory
        # ISO 13616 uses the same system: the example account GB82 WEST 1234 5698 7654 32, letters as 10 to 35,
        # country moved to the end; published in many places, value from memory.
        ("32142829123456987654321611", "82"),
        ("370400440532013000" + "1314", "89"),  # DE89 3704 0044 0532 0130 00, the same way; value from memory
    ],
)
def test_published_numbers(digits: str, check: str) -> None:
    assert check_digits(digits) == check


@given(SEVEN)
def test_a_number_reads_back_with_and_without_hyphens(digits: str) -> None:
    number = with_check_digits(digits)
    assert read_number(number) == number == read_number(number.replace("-", ""))


@given(SEVEN, st.integers(0, 8), st.integers(1, 9))
def test_one_wrong_digit_is_found(digits: str, place: int, step: int) -> None:
    number = with_check_digits(digits).replace("-", "")
    wrong = number[:place] + str((int(number[place]) + step) % 10) + number[place + 1 :]
    assert read_number(wrong) is None


@given(SEVEN, st.integers(0, 7))
def test_two_swapped_neighbours_are_found(digits: str, place: int) -> None:
    number = with_check_digits(digits).replace("-", "")
    swapped = number[:place] + number[place + 1] + number[place] + number[place + 2 :]
    assert (read_number(swapped) is None) == (swapped != number)


@pytest.mark.parametrize("text", ["", "26-00042-34", "٢٦-00042-33", "26-00042", "R26-00042-33", "26--00042-33"])
def test_other_texts_are_no_numbers(text: str) -> None:
    assert read_number(text) is None


@pytest.mark.parametrize("digits", ["", "12", "12345678", "abcdefg"])
def test_other_lengths_are_refused(digits: str) -> None:
    with pytest.raises(ValueError, match="digits"):
        with_check_digits(digits)


@given(st.integers(0, 9_999_999), st.integers(0, 99))
def test_one_pair_of_check_digits_fits_a_number_and_no_other(count: int, check: int) -> None:
    """The remainder alone would let 00 and 01 stand for 97 and 98, which are never printed."""
    digits = f"{count:07d}"
    assert (read_number(f"{digits}{check:02d}") is not None) == (f"{check:02d}" == check_digits(digits))


@pytest.mark.parametrize(("digits", "check", "alike"), [("2600085", "98", "01"), ("2600053", "97", "00")])
def test_the_other_pair_with_the_same_remainder_is_refused(digits: str, check: str, alike: str) -> None:
    assert check_digits(digits) == check
    assert int(digits + alike) % 97 == int(digits + check) % 97 == 1
    assert read_number(digits + alike) is None
