"""Random orders that anyone can draw again: the digest of a seed and labels, and nothing else, decides.

A library's random streams may change between its versions; SHA-256 (FIPS 180-4) does not.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import TypeVar

T = TypeVar("T")


def shuffled(items: Iterable[T], seed: int, *labels: object) -> list[T]:
    """The items in random order: every order is equally likely over the seeds."""
    listed = list(items)
    keys = [_digest(seed, *labels, place) for place in range(len(listed))]
    return [listed[i] for i in sorted(range(len(listed)), key=keys.__getitem__)]


def _digest(seed: int, *labels: object) -> bytes:
    return hashlib.sha256("/".join(map(str, (seed, *labels))).encode()).digest()
