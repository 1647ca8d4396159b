"""Amounts of money: text to the currency's smallest unit and back, without floating point."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation

from wearvision_api.problems import Problem

_DECIMALS = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}
"""Currencies whose smallest unit is no hundredth (ISO 4217, list one; values from memory)."""
DECIMALS = {code: count for count, codes in _DECIMALS.items() for code in codes.split()}
MOST_MINOR = 2**31 - 1
"""What the table holds; more is a typing error, not a burner part."""


def decimals(currency: str) -> int:
    """How many decimals a currency has; two unless ISO 4217 says otherwise."""
    return DECIMALS.get(currency, 2)


def plain_amount(minor: int | None, currency: str) -> str:
    """An amount as a form field holds it, such as ``129.50``; empty for none."""
    return "" if minor is None else str(Decimal(minor).scaleb(-decimals(currency)))


def amount_words(minor: int | None, currency: str) -> str:
    """An amount for people, such as ``1 290.00 EUR`` (groups after ISO 80000-1, with narrow spaces); empty for none."""
    if minor is None:
        return ""
    value = Decimal(minor).scaleb(-decimals(currency))
    return f"{value:,f}".replace(",", "\u202f") + f"\u00a0{currency}"


def minor_of(text: str, currency: str) -> int | None:
    """The smallest units in what was typed; comma and point both mark decimals, spaces are no matter.

    Returns:
        None for an empty text.

    Raises:
        Problem: it is no amount, or has more decimals than the currency.
    """
    typed = "".join(text.split()).replace("\u202f", "").replace("'", "")
    if not typed:
        return None
    try:
        value = Decimal(typed.replace(",", "."))
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or not 0 <= value <= MOST_MINOR:
        raise Problem("invalid", f"The value {text!r} is no amount; write it such as 129.50, without groups.")
    most = decimals(currency)
    if len(typed.replace(",", ".").partition(".")[2]) > most:  # "1.290" may mean thousands: better asked than guessed
        raise Problem("invalid", f"{text!r} has more decimals than {currency or 'a currency'}, which has {most}.")
    minor = int(value.scaleb(most))
    if minor > MOST_MINOR:
        raise Problem("invalid", f"The value {text!r} is more than this desk takes.")
    return minor
