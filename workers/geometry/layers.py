"""Which layers the curves are computed on: one for a prism, a few more where the section changes.

Between two computed layers of one zone (no horizontal face between them) the changed shares of the section are
interpolated along the height and multiplied by the section's own area, which is known at every slab; the bracket that
may be most wrong is split until what is left is small.
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

MOST_LAYERS = 120
FEW_LAYERS = 32  # enough (the error left is said) once the outlines computed so far have MOST_CORNERS corners together
MOST_CORNERS = 20_000
LEFT_OVER = 5e-4  # of the volume, summed over the layers not computed
_WRONG = 0.25  # of the disagreement of its ends, a bracket is wrong by about this. Engineering prior.
SLACK = 1e-3  # of the mean section area, a layer
_THREADS = 2
Progress = Callable[[float], None]


@dataclass(slots=True, eq=False)
class LayerCurveSet:
    """Curves of the computed layers, keyed by slab.

    left_over is how far the curves may be from those of all slabs, as a share of the volume: an estimate.
    """

    solid: Solid
    slabs: Slabs
    done: dict[int, LayerCurves] = field(default_factory=dict)
    left_over: float = 0.0
    _runs: Any = field(init=False)
    _corners: int = 0

    def __post_init__(self) -> None:
        self._runs = same_runs(self.slabs)

    def compute(self, progress: Progress | None = None, most: int = MOST_LAYERS) -> LayerCurveSet:
        """Fills ``done``. progress is called with a share from 0 to 1."""
        with ThreadPoolExecutor(_THREADS) as pool:
            self._batch(pool, self._first())
            queue = self._brackets()
            while queue and not self._enough(most) and sum(-b[0] for b in queue) > LEFT_OVER:
                chosen = [heapq.heappop(queue) for _ in range(min(_THREADS, len(queue), most - len(self.done)))]
                middles = [(i + j) // 2 for _, i, j in chosen]
                self._batch(pool, middles)
                for (_, i, j), m in zip(chosen, middles, strict=True):
                    self._push(queue, i, m)
                    self._push(queue, m, j)
                if progress:
                    progress(self._spent(most))
        self.left_over = -sum(b[0] for b in queue)
        return self

    def _enough(self, most: int) -> bool:
        return len(self.done) >= most or (len(self.done) >= FEW_LAYERS and self._corners >= MOST_CORNERS)

    def _spent(self, most: int) -> float:
        few = min(len(self.done) / FEW_LAYERS, self._corners / MOST_CORNERS)
        return min(max(len(self.done) / most, few), 1.0)

    def _batch(self, pool: ThreadPoolExecutor, wanted: list[int]) -> None:
        import shapely

        fresh = sorted(set(wanted) - self.done.keys())
        slack = SLACK * self.slabs.volume / float(self.slabs.dz.sum())
        sections = [outline(self.solid, self.slabs.z[i]) for i in fresh]
        self._corners += int(shapely.get_num_coordinates(sections).sum())
        expected = [self._expected(i) for i in fresh]
        layers = pool.map(lambda s, e: LayerCurves(s, slack, expected=e).computed(), sections, expected)
        self.done.update(zip(fresh, layers, strict=True))

    def _expected(self, slab: int) -> Floats | None:
        """(2, 2, 16) mm^2: what the computed layers below and above lead to expect, where there are both."""
        stretch = [k for k in self.done if self.slabs.zone[k] == self.slabs.zone[slab]]
        below = max((k for k in stretch if k < slab), default=None)
        above = min((k for k in stretch if k > slab), default=None)
        if below is None or above is None:
            return None
        z = self.slabs.z
        part = (z[slab] - z[below]) / (z[above] - z[below])
        share = (1 - part) * self._share(below) + part * self._share(above)
        return np.asarray(share * self.slabs.area[slab])

    def _first(self) -> list[int]:
        """One slab of each prism; the ends of every stretch that changes, and two between off its symmetries."""
        wanted: list[int] = []
        for stretch in self._stretches():
            i, j = stretch[0], stretch[-1]
            runs = self._runs[i : j + 1]
            wanted += [i] if runs[0] == runs[-1] else [i, i + round(0.37 * (j - i)), i + round(0.71 * (j - i)), j]
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
        apart = float(np.abs(self._share(j) - self._share(i)).max())
        bent = self._bend(i, j) * max(float(self._share(k).max()) for k in (i, j, *self._loudest))
        between = slice(i + 1, j)
        volume = float((self.slabs.area[between] * self.slabs.dz[between]).sum())
        heapq.heappush(queue, (-_WRONG * (apart + bent) * volume / self.slabs.volume, i, j))

    def _bend(self, i: int, j: int) -> float:
        """How far perimeter over area, known at every slab, strays from a line across the bracket, as a share.

        Where a part repeats itself the ends of a bracket may agree and its middle may not: this tells.
        """
        z = self.slabs.z[i : j + 1]
        edge = self.slabs.perimeter[i : j + 1] / np.maximum(self.slabs.area[i : j + 1], 1e-9)
        line = np.interp(z, [z[0], z[-1]], [edge[0], edge[-1]])
        return min(float(np.abs(edge - line).max() / edge.max()), 1.0)

    def _share(self, slab: int) -> Floats:
        """(2, 2, 16) features and corners of a computed slab as shares of its section."""
        layer = self.done[slab]
        return np.stack([layer.feature, layer.corner]) / max(float(self.slabs.area[slab]), 1e-9)

    @property
    def _loudest(self) -> tuple[int, ...]:
        """The computed slab that loses most: what a slab between may lose too."""
        areas = self.slabs.area
        changed = {
            k: float(v.feature.max() + v.corner.max()) / max(float(areas[k]), 1e-9) for k, v in self.done.items()
        }
        return (max(changed, key=lambda k: changed[k]),) if changed else ()

    def curves(self) -> DetailCurves:
        """The part's curves: layers summed over the height, as shares of the volume."""
        weight = self.slabs.area * self.slabs.dz / self.slabs.volume
        feature, corner = np.clip(np.tensordot(weight, self._shares(), axes=1), 0.0, 1.0)
        return DetailCurves(
            bead_width_mm=BEAD_WIDTHS_MM,
            feature_loss=_rising(feature[0]),
            corner_loss=_rising(corner[0]),
            feature_gain=_rising(feature[1]),
            corner_gain=_rising(corner[1]),
        )

    def _shares(self) -> Floats:
        """(n, 2, 2, 16) shares of every slab, computed or interpolated."""
        z = self.slabs.z
        shares = np.zeros((len(z), 2, 2, len(BEAD_WIDTHS_MM)))
        for stretch in self._stretches():
            known = [int(k) for k in stretch if int(k) in self.done]
            values = np.stack([self._share(k) for k in known])
            below = np.clip(np.searchsorted(known, stretch, side="right") - 1, 0, len(known) - 1)
            above = np.minimum(below + 1, len(known) - 1)
            z0, z1 = z[np.take(known, below)], z[np.take(known, above)]
            part = np.clip((z[stretch] - z0) / np.where(z1 > z0, z1 - z0, 1.0), 0.0, 1.0)[:, None, None, None]
            shares[stretch] = (1 - part) * values[below] + part * values[above]
        return shares


def _rising(values: Any) -> tuple[float, ...]:
    return tuple(float(v) for v in np.maximum.accumulate(values))
