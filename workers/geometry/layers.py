"""Which layers the curves are computed on: one for a prism, a few more where the section changes.

Between two computed layers of one zone (no horizontal face between them) the changed shares of the section are
interpolated along the height and multiplied by the section's own area, which is known at every slab; the bracket that
may be most wrong is split until what is left is small. What a layer changes in all varies much more from layer to layer
than the smaller of its two parts, features and corners: after some layers only sums are computed, of those widths
that still need it, and the smaller part is taken from the layers that have both.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from workers.geometry.brackets import Bracketed, Brackets
from workers.geometry.granulometry import BEAD_WIDTHS_MM, LayerCurves, LayerSums
from workers.geometry.kriging import Expected, Kriging
from workers.geometry.mend import Solid
from workers.geometry.mesh import Floats, Ints
from workers.geometry.sections import Slabs, outline
from workers.model.part import DetailCurves

MOST_LAYERS = 200
# From so many layers and corners of their outlines on, layers may be expected by their measures, and sums be enough.
FEW_LAYERS, LIGHT_CORNERS = 16, 20_000
# Of all outlines computed together, once there are FEW_LAYERS.
MOST_CORNERS = 100_000
SUM_COST = 0.12  # of a layer, for one sum: more of them takes longer than it gains
LEFT_OVER = 5e-4  # of the volume, in any curve, for the layers not computed
TOLD_ABOVE = 1e-3  # an error left above this is said in the summary
THINNED_MM = 0.002  # outlines, before they are offset: 1/50 of the narrowest bead
SLACK = 1e-3  # of the mean section area, a layer
_AT_ONCE = 4  # layers
_THREADS = 2
_COLUMNS = 2 * len(BEAD_WIDTHS_MM)  # losses and gains
_WORTH = 0.5  # columns with less than this share of the most error wait
_MUCH_LESS = 0.4  # of the error left between neighbours; engineering prior
Progress = Callable[[float], None]


@dataclass(eq=False)
class LayerCurveSet:
    """Curves of the computed layers, keyed by slab.

    left_over is how far the curves may be from those of all slabs, as a share of the volume: an estimate. most_corners
    bounds the work: what the computed outlines may have together, once there are FEW_LAYERS.
    """

    solid: Solid
    slabs: Slabs
    done: dict[int, LayerCurves] = field(default_factory=dict)
    left_over: float = 0.0
    most_corners: int = MOST_CORNERS
    _sums: dict[int, LayerSums] = field(default_factory=dict)
    _corners: float = 0.0

    def compute(self, progress: Progress | None = None, most: int = MOST_LAYERS) -> LayerCurveSet:
        """Fills ``done``. progress is called with a share from 0 to 1."""
        with ThreadPoolExecutor(_THREADS) as pool:
            self._batch(pool, self._first())
            while self._further(pool, most):
                if progress:
                    progress(self._spent(most))
        return self

    def notes(self) -> tuple[str, ...]:
        """What there is to say about how exact the curves are."""
        if self.left_over <= TOLD_ABOVE:
            return ()
        return (
            f"detail curves from {len(self.done)} of {len(self.slabs.z)} sections: "
            f"they may be off by about {100 * self.left_over:.1g} % of the volume",
        )

    def _further(self, pool: ThreadPoolExecutor, most: int) -> bool:
        """Computes what takes most off the error left; False when that is small or enough has been spent."""
        parts = self._parts()
        if isinstance(parts, Expected):
            return self._further_alike(pool, parts, most)
        self.left_over = float(parts.wrong.max())
        if self.left_over <= LEFT_OVER or self._enough(most):
            return False
        fresh = parts.next(slice(None), min(_THREADS, most - len(self.done)))
        self._batch(pool, fresh)
        return bool(fresh)

    def _further_alike(self, pool: ThreadPoolExecutor, parts: Expected, most: int) -> bool:
        """The same where layers are expected by their measures: sums alone, while they are what is most unsure."""
        sums = self._whole_sums()
        minor = parts.wrong.reshape(2, _COLUMNS).min(axis=0)
        wrong = np.zeros(_COLUMNS)
        for columns, estimate in sums:
            wrong[columns] = estimate.wrong
        self.left_over = float((wrong + minor).max())
        if self.left_over <= LEFT_OVER or self._enough(most):
            return False
        if minor.max() > wrong.max():
            self._batch(pool, parts.next(min(_AT_ONCE, most - len(self.done))))
            return True
        cells: list[tuple[int, int]] = []
        for columns, estimate in sums:
            needed = np.flatnonzero((wrong + minor)[columns] > max(LEFT_OVER, _WORTH * self.left_over))
            slabs = estimate.next(_AT_ONCE) if len(needed) else []
            cells += [(slab, int(columns[c])) for slab in slabs for c in needed]
        self._sum(pool, cells)
        return bool(cells)

    def _light(self) -> bool:
        """Whether whole layers cost little still."""
        return len(self.done) < FEW_LAYERS or self._corners < LIGHT_CORNERS

    def _enough(self, most: int) -> bool:
        return len(self.done) >= most or (len(self.done) >= FEW_LAYERS and self._corners >= self.most_corners)

    def _spent(self, most: int) -> float:
        few = min(len(self.done) / FEW_LAYERS, self._corners / self.most_corners)
        return min(max(len(self.done) / most, few), 1.0)

    def _batch(self, pool: ThreadPoolExecutor, wanted: list[int]) -> None:
        """Computes both curves of some layers."""
        import shapely

        fresh = sorted(set(wanted) - self.done.keys())
        slack = SLACK * self.slabs.volume / float(self.slabs.dz.sum())
        sections = [outline(self.solid, self.slabs.z[i], THINNED_MM) for i in fresh]
        self._corners += float(shapely.get_num_coordinates(sections).sum())
        expected = self._expected(fresh)
        layers = pool.map(lambda s, e: LayerCurves(s, slack, expected=e).computed(), sections, expected)
        self.done.update(zip(fresh, layers, strict=True))

    def _expected(self, slabs: list[int]) -> list[Floats | None]:
        """(2, 2, 16) mm^2 for each: what the layers computed so far lead to expect, where they are on both sides."""
        if not self.done:
            return [None] * len(slabs)
        known, shares = self._shares()
        zone = self.slabs.zone
        values = self._brackets.between(known, shares)
        return [
            values[k].reshape(2, 2, -1) * self.slabs.area[k]
            if {zone[j] for j in known if j < k} & {zone[k]} and {zone[j] for j in known if j > k} & {zone[k]}
            else None
            for k in slabs
        ]

    def _sum(self, pool: ThreadPoolExecutor, cells: list[tuple[int, int]]) -> None:
        """Computes what is lost and filled in all, of layers and columns (side and width)."""
        wanted: dict[int, list[int]] = {}
        for slab, column in cells:
            wanted.setdefault(slab, []).append(column)

        def compute(slabs: list[int]) -> None:
            for slab in slabs:
                if slab not in self._sums:
                    self._sums[slab] = LayerSums.of(outline(self.solid, self.slabs.z[slab], THINNED_MM))
                self._sums[slab].compute(wanted[slab])

        list(pool.map(compute, _dealt(sorted(wanted))))
        self._corners += SUM_COST * sum(self._sums[slab].count * len(columns) for slab, columns in wanted.items())

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

    def _parts(self) -> Bracketed | Expected:
        """The whole from the computed slabs: between neighbours, or by those that measure the same if that is surer."""
        known, shares = self._shares()
        between = self._brackets.estimate(known, shares)
        if not self._sums and (self._light() or between.wrong.max() <= LEFT_OVER):
            return between
        alike = self._kriging.estimate(known, shares)
        return alike if self._sums or alike.wrong.max() < _MUCH_LESS * between.wrong.max() else between

    def _whole_sums(self) -> list[tuple[Ints, Expected]]:
        """Features and corners together: columns that are known of the same slabs, and what these tell."""
        known, parts = self._shares()
        sums = np.full((len(self.slabs.z), _COLUMNS), np.nan)
        for slab, layer in self._sums.items():
            sums[slab] = layer.areas / max(float(self.slabs.area[slab]), 1e-9)
        sums[known] = parts[:, :_COLUMNS] + parts[:, _COLUMNS:]
        kinds, kind = np.unique(~np.isnan(sums), axis=1, return_inverse=True)
        groups = [np.flatnonzero(kind == k) for k in range(kinds.shape[1])]
        slabs = [np.flatnonzero(there) for there in kinds.T]
        return [(g, self._kriging.estimate(k, sums[np.ix_(k, g)])) for g, k in zip(groups, slabs, strict=True)]

    def curves(self) -> DetailCurves:
        """The part's curves: layers summed over the height, as shares of the volume."""
        feature, corner = np.clip(self._summed(), 0.0, 1.0).reshape(2, 2, -1)
        return DetailCurves(
            bead_width_mm=BEAD_WIDTHS_MM,
            feature_loss=_rising(feature[0]),
            corner_loss=_rising(corner[0]),
            feature_gain=_rising(feature[1]),
            corner_gain=_rising(corner[1]),
        )

    def _summed(self) -> Floats:
        """(2, 32) features and corners: the part that is surer as it is, the other from the sum of both."""
        estimate = self._parts()
        parts = estimate.sums.reshape(2, _COLUMNS)
        if not self._sums:
            return parts
        whole = np.zeros(_COLUMNS)
        for columns, sums in self._whole_sums():
            whole[columns] = sums.sums
        surer = estimate.wrong.reshape(2, _COLUMNS).argmin(axis=0)
        kept = np.take_along_axis(parts, surer[None], axis=0)
        return np.where(np.arange(2)[:, None] == surer, kept, whole - kept)


def _dealt(things: list[Any]) -> list[list[Any]]:
    """A share of the work for each thread."""
    return [things[k::_THREADS] for k in range(_THREADS) if things[k::_THREADS]]


def _rising(values: Any) -> tuple[float, ...]:
    return tuple(float(v) for v in np.maximum.accumulate(values))
