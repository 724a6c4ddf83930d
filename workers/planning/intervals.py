"""Stretches of time as (begin, end) pairs: joined, clipped and taken out of each other. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

Stretch = tuple[float, float]


def joined(stretches: Iterable[Stretch]) -> list[Stretch]:
    """The same time in rising order, without overlaps and without empty ones."""
    result: list[Stretch] = []
    for begin, end in sorted(one for one in stretches if one[1] > one[0]):
        if result and begin <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((begin, end))
    return result


def clipped(stretches: Iterable[Stretch], window: Stretch) -> list[Stretch]:
    low, high = window
    return joined((max(begin, low), min(end, high)) for begin, end in stretches)


def without(stretches: Iterable[Stretch], taken: Sequence[Stretch]) -> list[Stretch]:
    """What is left of ``stretches`` where none of ``taken`` (joined) lies."""
    left: list[Stretch] = []
    for begin, end in joined(stretches):
        free_from = begin
        for gone_from, gone_to in taken:
            if gone_from >= end:
                break
            if gone_to > free_from:
                left.append((free_from, gone_from))
                free_from = gone_to
        left.append((free_from, end))
    return [one for one in left if one[1] > one[0]]


def length(stretches: Iterable[Stretch]) -> float:
    return sum(end - begin for begin, end in stretches)
