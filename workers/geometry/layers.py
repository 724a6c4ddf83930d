"""Which layers the curves are computed on: one for a prism, a few more where the section changes.

Between two computed layers of one zone (no horizontal face between them) the changed shares of the section are
interpolated along the height and multiplied by the section's own area, which is known at every slab; the bracket that
may be most wrong is split until what is left is small. Where a part repeats itself, as lattices do, layers that measure
the same tell more of each other than neighbours do: then these are asked.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from workers.geometry.brackets import Bracketed, Brackets
from workers.geometry.curves import LayerCurves
from workers.geometry.granulometry import BEAD_WIDTHS_MM
from workers.geometry.kriging import Expected, Kriging
from workers.geometry.mesh import Floats, Ints
from workers.geometry.sections import Slabs
from workers.model.part import DetailCurves

MOST_LAYERS = 200
FEW_LAYERS = 16  # from so many on, layers may be expected by their measures
# Of all outlines computed together, once there are FEW_LAYERS: less on large meshes, whose reading and building take
# time enough. A hundred thousand take a second of two threads.
MOST_CORNERS, LEAST_CORNERS, _LESS_A_TRIANGLE = 340_000, 100_000, 0.17
THINNED_MM = 0.002  # outlines: 1/50 of the narrowest bead
LEFT_OVER = 5e-4  # of the volume, in any curve, for the layers not computed
TOLD_ABOVE = 1e-3  # an error left above this is said in the summary
_AT_ONCE = 6  # layers
_THREADS = 2
Progress = Callable[[float], None]


def corners_for(triangles: int) -> int:
    """How many corners the outlines computed of such a mesh may have together."""
    return max(LEAST_CORNERS, MOST_CORNERS - round(_LESS_A_TRIANGLE * triangles))


@dataclass(eq=False)
class LayerCurveSet:
    """Curves of the computed layers, keyed by slab.

    left_over is how far the curves may be from those of all slabs, as a share of the volume: an estimate. most_corners
    bounds the work: what the computed outlines may have together, once there are FEW_LAYERS.
    """

    slabs: Slabs
    done: dict[int, LayerCurves] = field(default_factory=dict)
    left_over: float = 0.0
    most_corners: int = MOST_CORNERS
    _corners: int = 0

    def compute(self, progress: Progress | None = None, most: int = MOST_LAYERS) -> LayerCurveSet:
        """Fills ``done``. progress is called with a share from 0 to 1."""
        with ThreadPoolExecutor(_THREADS) as pool:
            self._batch(pool, self._first())
            while wanted := self._further(most):
                self._batch(pool, wanted)
                if progress:
                    progress(self._spent(most))
        return self

    def every(self) -> LayerCurveSet:
        """All layers computed, none chosen."""
        with ThreadPoolExecutor(_THREADS) as pool:
            self._batch(pool, list(range(len(self.slabs.z))))
        return self

    def notes(self) -> tuple[str, ...]:
        """What there is to say about how exact the curves are."""
        if self.left_over <= TOLD_ABOVE:
            return ()
        return (
            f"detail curves from {len(self.done)} of {len(self.slabs.z)} sections: "
            f"they may be off by about {100 * self.left_over:.1g} % of the volume",
        )

    def _further(self, most: int) -> list[int]:
        """The slabs that take most off the error left; none when that is small or enough has been spent."""
        estimate = self._estimate()
        self.left_over = float(estimate.wrong.max())
        if self.left_over <= LEFT_OVER or self._enough(most):
            return []
        return estimate.next(min(_AT_ONCE, most - len(self.done)))

    def _enough(self, most: int) -> bool:
        return len(self.done) >= most or (len(self.done) >= FEW_LAYERS and self._corners >= self.most_corners)

    def _spent(self, most: int) -> float:
        few = min(len(self.done) / FEW_LAYERS, self._corners / self.most_corners)
        return min(max(len(self.done) / most, few), 1.0)

    def _batch(self, pool: ThreadPoolExecutor, wanted: list[int]) -> None:
        """Computes the curves of some layers."""

        def computed(k: int) -> tuple[LayerCurves, int]:
            rings = self.slabs.rings(k, THINNED_MM)
            return LayerCurves.of(rings), sum(map(len, rings))

        fresh = sorted(set(wanted) - self.done.keys())
        for k, (layer, corners) in zip(fresh, pool.map(computed, fresh), strict=True):
            self.done[k] = layer
            self._corners += corners

    def _first(self) -> list[int]:
        """One slab of each prism; the ends of every stretch that changes, and two between off its symmetries."""
        wanted: list[int] = []
        for zone in np.unique(self.slabs.zone):
            stretch = np.flatnonzero(self.slabs.zone == zone)
            i, j = int(stretch[0]), int(stretch[-1])
            wanted += [i] if i == j else [i, i + round(0.37 * (j - i)), i + round(0.71 * (j - i)), j]
        return wanted

    @cached_property
    def _brackets(self) -> Brackets:
        return Brackets(self.slabs)

    @cached_property
    def _kriging(self) -> Kriging:
        return Kriging.over(self.slabs)

    def _shares(self) -> tuple[Ints, Floats]:
        """The computed slabs (m,), and (m, 64) features and corners as shares of their sections."""
        known = np.array(sorted(self.done))
        parts = np.stack([np.concatenate([self.done[k].feature, self.done[k].corner]).ravel() for k in known])
        return known, parts / np.maximum(self.slabs.area[known], 1e-9)[:, None]

    def _estimate(self) -> Bracketed | Expected:
        """The whole from the computed slabs: between neighbours, or by those that measure the same if that is surer."""
        known, shares = self._shares()
        between = self._brackets.estimate(known, shares)
        if len(known) < FEW_LAYERS or between.wrong.max() <= LEFT_OVER:
            return between
        alike = self._kriging.estimate(known, shares)
        return alike if alike.wrong.max() < between.wrong.max() else between

    def curves(self) -> DetailCurves:
        """The part's curves: layers summed over the height, as shares of the volume."""
        feature, corner = np.clip(self._estimate().sums, 0.0, 1.0).reshape(2, 2, -1)
        return DetailCurves(
            bead_width_mm=BEAD_WIDTHS_MM,
            feature_loss=_rising(feature[0]),
            corner_loss=_rising(corner[0]),
            feature_gain=_rising(feature[1]),
            corner_gain=_rising(corner[1]),
        )


def _rising(values: Any) -> tuple[float, ...]:
    return tuple(float(v) for v in np.maximum.accumulate(values))
