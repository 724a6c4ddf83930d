"""Compiled: equal points found through a table of hashes. Types are given, so that all is compiled once, on import."""

from __future__ import annotations

import numpy as np
from numba import njit

_A, _B, _C = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xC2B2AE3D27D4EB4F), np.uint64(0x165667B19E3779F9)
_HALF = np.uint64(32)


@njit("uint64(uint64[:, ::1], int64)", cache=True, nogil=True)
def _hash(bits, point):  # type: ignore[no-untyped-def]
    """Odd multiples of the coordinates' bits, folded twice: single-precision numbers differ in their upper bits only."""
    mixed = bits[point, 0] * _A + bits[point, 1] * _B + bits[point, 2] * _C
    mixed = (mixed ^ (mixed >> _HALF)) * _A
    return mixed ^ (mixed >> _HALF)


@njit("boolean(uint64[:, ::1], int64, int64)", cache=True, nogil=True)
def _equal(bits, one, two):  # type: ignore[no-untyped-def]
    return bits[one, 0] == bits[two, 0] and bits[one, 1] == bits[two, 1] and bits[one, 2] == bits[two, 2]


@njit("int64(uint64[:, ::1], int64, uint64, int64[::1], int32[::1])", cache=True, nogil=True)
def _place(bits, point, mixed, first, table):  # type: ignore[no-untyped-def]
    """Where a point stands in the table, or would: where another has its place the next ones are tried."""
    last = np.uint64(len(table) - 1)
    place = mixed & last
    while table[place] >= 0 and not _equal(bits, first[table[place]], point):
        place = (place + np.uint64(1)) & last
    return np.int64(place)


@njit("int32[::1](uint64[:, ::1], int64[::1], int64)", cache=True, nogil=True)
def _grown(bits, first, count):  # type: ignore[no-untyped-def]
    """A table a quarter full of ``count`` points."""
    size = 1024
    while size < 4 * count:
        size *= 2
    table = np.full(size, -1, np.int32)
    for k in range(count):
        table[_place(bits, first[k], _hash(bits, first[k]), first, table)] = k
    return table


@njit("Tuple((int64[::1], int64[:, ::1]))(uint64[:, ::1], int64[:, ::1])", cache=True, nogil=True)
def first_uses(bits, faces):  # type: ignore[no-untyped-def]
    """The points (k,) that differ, each where it is first used, and the faces (m, 3) told in them.

    bits (n, 3) are those of the coordinates: equal points must have equal ones.
    """
    number = np.full(len(bits), -1, np.int32)
    first, told = np.empty(len(bits), np.int64), np.empty_like(faces)
    count = 0
    recent = np.full(1 << 14, -1, np.int32)
    table = _grown(bits, first, 0)
    for f in range(len(faces)):
        for s in range(3):
            point = faces[f, s]
            if number[point] < 0:
                mixed = _hash(bits, point)
                late = np.int64(mixed >> np.uint64(50))
                if recent[late] >= 0 and _equal(bits, first[recent[late]], point):
                    number[point] = recent[late]
                    told[f, s] = number[point]
                    continue
                place = _place(bits, point, mixed, first, table)
                if table[place] < 0:
                    table[place] = count
                    first[count] = point
                    count += 1
                number[point] = recent[late] = table[place]
                if 2 * count > len(table):
                    table = _grown(bits, first, count)
            told[f, s] = number[point]
    return first[:count].copy(), told
