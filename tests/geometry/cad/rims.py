"""Bores of 2 to 20 mm whose rims are eased: filleted or chamfered, at both ends, at the top, or at the floor."""

from __future__ import annotations

from functools import cache

import numpy as np

from tests.geometry.cad import kernel
from tests.geometry.cad.parts import HOLE, Part, Truth, row

HEIGHT = 12.0


def _ring(step):
    """Whether an edge ends where it begins, as a circle does."""
    return bool(np.linalg.norm(step) < 1e-6)


def _bored(sizes, floor):
    places, length = row(sizes, gap=6.0)
    body = kernel.box(length, 40, HEIGHT)
    for d, x, y in places:
        body = kernel.cut(body, kernel.cylinder(d, HEIGHT + 2, (x, y, floor if floor else -1)))
    return body, places


def _truths(places, low, high, through):
    return tuple(Truth(HOLE, d, (x, y, (low + high) / 2), high - low, through) for d, x, y in places)


@cache
def both_ends(ease, how=kernel.filleted):
    body, places = _bored(range(2, 21, 2), 0)
    body = how(body, ease, lambda _middle, step: _ring(step))
    return Part(body, _truths(places, ease, HEIGHT - ease, True))


@cache
def top(ease, how=kernel.filleted):
    body, places = _bored(range(2, 21, 2), 0)
    body = how(body, ease, lambda middle, step: _ring(step) and middle[2] > HEIGHT / 2)
    return Part(body, _truths(places, 0.0, HEIGHT - ease, True))


@cache
def round_floor(ease):
    """Blind, the floor led into the wall by a fillet; the bore is its straight part."""
    body, places = _bored(range(4, 21, 2), 4.0)
    body = kernel.filleted(body, ease, lambda middle, step: _ring(step) and middle[2] < HEIGHT / 2)
    return Part(body, _truths(places, 4.0 + ease, HEIGHT, False))


RIMS = {
    "fillets of 0.5 at both ends": lambda: both_ends(0.5),
    "fillets of 1.5 at both ends": lambda: both_ends(1.5),
    "a fillet of 1 at the top": lambda: top(1.0),
    "chamfers of 0.8 at both ends": lambda: both_ends(0.8, kernel.chamfered),
    "a chamfer of 1.5 at the top": lambda: top(1.5, kernel.chamfered),
    "a floor with a fillet of 1": lambda: round_floor(1.0),
}
