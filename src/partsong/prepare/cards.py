"""How much a day's takes fill. A gigabyte here is 1,000,000,000 bytes, as cards and disks are sold."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from partsong.errors import InvalidInput

GIGABYTE = 10**9
RESERVE = Fraction(1, 10)
"""The part of a card to leave free: common practice, no source."""


@dataclass(frozen=True, slots=True)
class CardSum:
    """Storage in decimal gigabytes. ``cards`` is how many cards the takes need, each take on one card."""

    take_gb: float
    all_takes_gb: float
    with_copies_gb: float
    takes_per_card: int | None
    cards: int | None


def recorded_bytes(rate_mbit: Fraction, length_s: Fraction) -> Fraction:
    """Return what a recording fills: bit rate x length / 8; ``rate_mbit`` in 1,000,000 bits a second."""
    if rate_mbit <= 0 or length_s <= 0:
        raise InvalidInput("The data rate and the length of a take must be above zero.")
    return rate_mbit * 1_000_000 * length_s / 8


def card_sum(
    rate_mbit: Fraction, take_s: Fraction, takes: int, *, copies: int = 2, card_gb: Fraction | None = None
) -> CardSum:
    """Return what a number of equal takes fills, alone and with further copies.

    Parameters
    ----------
    rate_mbit : Fraction
        The camera's data rate, millions of bits a second.
    take_s : Fraction
        The length of one take in seconds.
    takes : int
        How many.
    copies : int
        How many further copies are kept; common practice is two, on different disks (no source).
    card_gb : Fraction, optional
        The size printed on a card; a tenth of it is kept free.

    Raises
    ------
    InvalidInput
        If a value is not above zero, or one take does not fit on a card.
    """
    if takes < 1 or copies < 0:
        raise InvalidInput("Give at least one take, and no fewer than 0 copies.")
    one = recorded_bytes(rate_mbit, take_s)
    per_card = cards = None
    if card_gb is not None:
        if card_gb <= 0:
            raise InvalidInput("The size of a card must be above zero.")
        per_card = int(card_gb * GIGABYTE * (1 - RESERVE) / one)
        if per_card == 0:
            raise InvalidInput(
                f"One take of {float(one / GIGABYTE):.1f} GB does not fit on a card of {float(card_gb):g} GB "
                f"with {float(RESERVE):.0%} kept free. Use larger cards or a lower data rate."
            )
        cards = -(-takes // per_card)
    together = one * takes
    return CardSum(
        take_gb=float(one / GIGABYTE),
        all_takes_gb=float(together / GIGABYTE),
        with_copies_gb=float(together * (1 + copies) / GIGABYTE),
        takes_per_card=per_card,
        cards=cards,
    )
