"""Compiled: equal points found through a table of hashes."""

from __future__ import annotations

import numpy as np

from workers.geometry.compiled import compiled

_A, _B, _C = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xC2B2AE3D27D4EB4F), np.uint64(0x165667B19E3779F9)
_HALF, _UPPER = np.uint64(32), np.uint64(50)
_LATE = 1 << 14  # as many as the upper bits of a hash can tell: what was met of late stands in the processor's cache
_EITHER = ("uint64", "uint32")  # bits of double or single precision


@compiled(*[f"uint64({bits}[:, ::1], int64)" for bits in _EITHER])
def _hash(bits, point):  # type: ignore[no-untyped-def]
    """Odd multiples of the coordinates' bits, folded twice: round numbers differ in their upper bits only."""
    mixed = np.uint64(bits[point, 0]) * _A + np.uint64(bits[point, 1]) * _B + np.uint64(bits[point, 2]) * _C
    mixed = (mixed ^ (mixed >> _HALF)) * _A
    return mixed ^ (mixed >> _HALF)


@compiled(*[f"boolean({bits}[:, ::1], int64, int64)" for bits in _EITHER])
def _equal(bits, one, two):  # type: ignore[no-untyped-def]
    return bits[one, 0] == bits[two, 0] and bits[one, 1] == bits[two, 1] and bits[one, 2] == bits[two, 2]


@compiled(*[f"int64({bits}[:, ::1], int64, uint64, int64[::1], int32[::1])" for bits in _EITHER])
def _place(bits, point, mixed, first, table):  # type: ignore[no-untyped-def]
    """Where a point stands in the table, or would: where another has its place the next ones are tried."""
    last = np.uint64(len(table) - 1)
    place = mixed & last
    while table[place] >= 0 and not _equal(bits, first[table[place]], point):
        place = (place + np.uint64(1)) & last
    return np.int64(place)


@compiled(*[f"int32[::1]({bits}[:, ::1], int64[::1], int64)" for bits in _EITHER])
def _table(bits, first, count):  # type: ignore[no-untyped-def]
    """A table for ``count`` points and as many again before it is half full."""
    size = 1024
    while size < 4 * count:
        size *= 2
    table = np.full(size, -1, np.int32)
    for k in range(count):
        table[_place(bits, first[k], _hash(bits, first[k]), first, table)] = k
    return table


@compiled(*[f"Tuple((int64[::1], int64[:, ::1]))({bits}[:, ::1], int64[:, ::1])" for bits in _EITHER])
def first_uses(bits, faces):  # type: ignore[no-untyped-def]
    """The points (k,) that differ, each where it is first used, and the faces (m, 3) told in them.

    bits (n, 3) are those of the coordinates: equal points must have equal ones.
    """
    first, told = np.empty(len(bits), np.int64), np.empty_like(faces)
    number, late = np.full(len(bits), -1, np.int32), np.full(_LATE, -1, np.int32)
    table, count = _table(bits, first, 0), 0
    for f in range(len(faces)):
        for s in range(3):
            point = faces[f, s]
            if number[point] < 0:
                mixed = _hash(bits, point)
                known = late[mixed >> _UPPER]
                if known < 0 or not _equal(bits, first[known], point):
                    place = _place(bits, point, mixed, first, table)
                    if table[place] < 0:
                        table[place] = count
                        first[count] = point
                        count += 1
                    known = table[place]
                    late[mixed >> _UPPER] = known
                    if 2 * count > len(table):
                        table = _table(bits, first, count)
                number[point] = known
            told[f, s] = number[point]
    return first[:count].copy(), told
