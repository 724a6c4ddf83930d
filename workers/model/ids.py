"""Identifiers that sort by the time they were made: 48 bits of milliseconds, then 80 random bits.

26 characters of Crockford's base 32 (no i, l, o, u), so they can be read aloud on the shop floor.
"""

from __future__ import annotations

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_RANDOM_BITS = 80


def encode(millis: int, random_bits: int) -> str:
    """The 26-character identifier of a moment (ms since 1970) and an 80-bit random number."""
    value = (millis << _RANDOM_BITS) | (random_bits & ((1 << _RANDOM_BITS) - 1))
    return "".join(_ALPHABET[(value >> shift) & 31] for shift in range(125, -1, -5))


def run_of(count: int, millis: int, random_bits: int) -> list[str]:
    """``count`` identifiers that sort in this order: the random part counts up from its start."""
    start = random_bits >> 1  # head-room, so that counting up cannot overflow
    return [encode(millis, start + i) for i in range(count)]


def millis_of(identifier: str) -> int:
    """The moment (ms since 1970) that an identifier was made at. Raises ValueError where it is none of ours."""
    value = 0
    for letter in identifier:
        value = value << 5 | _ALPHABET.index(letter)
    return value >> _RANDOM_BITS
