"""Places: sort keys of a dispatch list, so that a job can be put between two others without touching them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import isnan

from workers.model.dispatch import Listed

STEP = 1024.0  # between neighbours at first: half of it fits a double some fifty times
NARROW = 1e-6  # closer neighbours are spread out again
UNPLACED = float("nan")


def placed(listed: Sequence[Listed]) -> list[Listed]:
    """The list with a place for each unplaced entry, evenly between its placed neighbours."""
    result = list(listed)
    for begin, end in _gaps(result):
        low = result[begin - 1].place if begin else None
        high = result[end].place if end < len(result) else None
        for i, place in enumerate(_between(low, high, end - begin), begin):
            result[i] = replace(result[i], place=place)
    return result


def _gaps(listed: Sequence[Listed]) -> list[tuple[int, int]]:
    """First and behind-last index of each run of unplaced entries."""
    edges = [False, *(isnan(one.place) for one in listed), False]
    begins = [i for i, (a, b) in enumerate(pairwise(edges)) if b and not a]
    ends = [i for i, (a, b) in enumerate(pairwise(edges)) if a and not b]
    return list(zip(begins, ends, strict=True))


def _between(low: float | None, high: float | None, count: int) -> list[float]:
    if low is None:
        low = 0.0 if high is None else high - STEP * (count + 1)
    step = STEP if high is None else (high - low) / (count + 1)
    return [low + step * (i + 1) for i in range(count)]


def is_crowded(listed: Sequence[Listed]) -> bool:
    """Whether neighbours have come so close that the list must be numbered anew."""
    return any(b.place - a.place < NARROW for a, b in pairwise(listed))


def renumbered(listed: Sequence[Listed]) -> list[Listed]:
    return [replace(one, place=STEP * (i + 1)) for i, one in enumerate(listed)]
