"""What was found, kept as arrays too: of thousands of holes each new find is compared with all others at once."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from workers.geometry.mesh import Floats
from workers.model.part import FeatureKind

_SAME_DIRECTION = math.cos(math.radians(15.0))
Bools = np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A feature with a wall: at (3,) the middle of its axis, size and depth in mm."""

    kind: FeatureKind
    size_mm: float
    depth_mm: float
    at: Floats
    direction: Floats
    through: bool | None = None
    facets: int | None = None
    across_flats_mm: float | None = None


class Finds:
    """Finds in the order in which they came."""

    def __init__(self, finds: Iterable[Found] = ()) -> None:
        self.every: list[Found] = []
        self._rows = np.empty((16, 8))  # at, direction, size, whether it is a boss
        for one in finds:
            self.add(one)

    def add(self, one: Found) -> None:
        if len(self.every) == len(self._rows):
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)])
        self._rows[len(self.every)] = (*one.at, *one.direction, one.size_mm, one.kind is FeatureKind.BOSS)
        self.every.append(one)

    def hold(self, one: Found) -> bool:
        """Whether a round find is there already, seen around a nearly equal axis."""
        rows = self._rows[: len(self.every)]
        alike = np.abs(rows[:, 6] - one.size_mm) < 0.05 * one.size_mm
        alike &= rows[:, 7] == (one.kind is FeatureKind.BOSS)
        return bool((self._within(0.1, one) & alike & self._along(one)).any())

    def know(self, one: Found) -> bool:
        """Whether a flat-sided find is another one again, seen around a nearly equal axis."""
        own = self._rows[: len(self.every), 7] == 0
        near = self._within(0.3, one) & own
        return bool((near & (self._within(0.1, one) | self._along(one))).any())

    def sit_at(self, middle: Floats, size: float) -> bool:
        """Whether one of them is in this place and as wide, whatever its axis."""
        rows = self._rows[: len(self.every)]
        near = np.linalg.norm(rows[:, :3] - middle, axis=1) < 0.05 * size + 0.05
        return bool((near & (np.abs(rows[:, 6] - size) < 0.05 * size)).any())

    def _within(self, share: float, one: Found) -> Bools:
        """Nearer than a share of the narrower one."""
        rows = self._rows[: len(self.every)]
        apart = np.linalg.norm(rows[:, :3] - one.at, axis=1)
        return np.asarray(apart < share * np.minimum(rows[:, 6], one.size_mm))

    def _along(self, one: Found) -> Bools:
        """Standing along the same line, to 15 degrees."""
        return np.asarray(np.abs(self._rows[: len(self.every), 3:6] @ one.direction) > _SAME_DIRECTION)
