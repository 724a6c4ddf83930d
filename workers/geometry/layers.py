"""Which layers the curves are computed on: one for a prism, a few more where the section changes.

Between two computed layers of one zone (no horizontal face between them) the changed areas are interpolated along
the height; the widest bracket with the largest disagreement is split until what is left is small.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from workers.geometry.granulometry import BEAD_WIDTHS_MM, LayerCurves
from workers.geometry.mend import Solid
from workers.geometry.mesh import Floats
from workers.geometry.sections import Slabs, outline, same_runs
from workers.model.part import DetailCurves

MOST_LAYERS = 48
LEFT_OVER = 3e-4  # of the volume, summed over the layers not computed
SLACK = 2e-4  # of the mean section area, a layer
_THREADS = 2
Progress = Callable[[float], None]


@dataclass(slots=True, eq=False)
class LayerCurveSet:
    """Curves of the computed layers, keyed by slab; groups maps every slab to its run of equal sections."""

    solid: Solid
    slabs: Slabs
    done: dict[int, LayerCurves] = field(default_factory=dict)
    _runs: Any = field(init=False)

    def __post_init__(self) -> None:
        self._runs = same_runs(self.slabs)

    def compute(self, progress: Progress | None = None, most: int = MOST_LAYERS) -> LayerCurveSet:
        """Fills ``done``. progress is called with a share from 0 to 1."""
        with ThreadPoolExecutor(_THREADS) as pool:
            self._batch(pool, self._first())
            queue = self._brackets()
            while queue and len(self.done) < most and sum(-b[0] for b in queue) > LEFT_OVER:
                chosen = [heapq.heappop(queue) for _ in range(min(_THREADS, len(queue)))]
                middles = [(i + j) // 2 for _, i, j in chosen]
                self._batch(pool, middles)
                for (_, i, j), m in zip(chosen, middles, strict=True):
                    self._push(queue, i, m)
                    self._push(queue, m, j)
                if progress:
                    progress(min(len(self.done) / most, 1.0))
        return self

    def _batch(self, pool: ThreadPoolExecutor, wanted: list[int]) -> None:
        fresh = sorted(set(wanted) - self.done.keys())
        slack = SLACK * self.slabs.volume / float(self.slabs.dz.sum())
        sections = [outline(self.solid, self.slabs.z[i]) for i in fresh]
        layers = pool.map(lambda s: LayerCurves(s, slack).computed(), sections)
        self.done.update(zip(fresh, layers, strict=True))

    def _first(self) -> list[int]:
        """One slab of each prism; the ends and the middle of every stretch that changes."""
        wanted: list[int] = []
        for stretch in self._stretches():
            i, j = stretch[0], stretch[-1]
            runs = self._runs[i : j + 1]
            wanted += [i] if runs[0] == runs[-1] else [i, (i + j) // 2, j]
        return wanted

    def _stretches(self) -> list[np.ndarray]:
        zone = self.slabs.zone
        return [np.flatnonzero(zone == k) for k in np.unique(zone)]

    def _brackets(self) -> list[tuple[float, int, int]]:
        queue: list[tuple[float, int, int]] = []
        for stretch in self._stretches():
            known = [int(k) for k in stretch if k in self.done]
            for i, j in pairwise(known):
                self._push(queue, i, j)
        return queue

    def _push(self, queue: list[tuple[float, int, int]], i: int, j: int) -> None:
        """A bracket by the most that interpolation across it may be wrong, as a share of the volume."""
        if j - i < 2 or self._runs[i] == self._runs[j]:
            return
        one, two = self.done[i], self.done[j]
        apart = max(float(np.abs(two.feature - one.feature).max()), float(np.abs(two.corner - one.corner).max()))
        height = float(self.slabs.dz[i + 1 : j].sum())
        heapq.heappush(queue, (-0.35 * apart * height / self.slabs.volume, i, j))

    def curves(self) -> DetailCurves:
        """The part's curves: layers summed over the height, as shares of the volume."""
        feature, corner = self._everywhere()
        weight = self.slabs.dz / self.slabs.volume
        f, c = (np.clip(np.tensordot(weight, x, axes=1), 0.0, 1.0) for x in (feature, corner))
        return DetailCurves(
            bead_width_mm=BEAD_WIDTHS_MM,
            feature_loss=_rising(f[0]),
            corner_loss=_rising(c[0]),
            feature_gain=_rising(f[1]),
            corner_gain=_rising(c[1]),
        )

    def _everywhere(self) -> tuple[Floats, Floats]:
        """(n, 2, 16) features and corners of every slab, computed or interpolated."""
        n, shape = len(self.slabs.z), (2, len(BEAD_WIDTHS_MM))
        both = np.zeros((2, n, *shape))
        for stretch in self._stretches():
            known = np.array([k for k in stretch if k in self.done])
            z = self.slabs.z
            for q, name in enumerate(("feature", "corner")):
                values = np.stack([getattr(self.done[int(k)], name) for k in known]).reshape(len(known), -1)
                spread = [np.interp(z[stretch], z[known], column) for column in values.T]
                both[q, stretch] = np.stack(spread, axis=1).reshape(len(stretch), *shape)
        return both[0], both[1]


def _rising(values: Any) -> tuple[float, ...]:
    return tuple(float(v) for v in np.maximum.accumulate(values))
