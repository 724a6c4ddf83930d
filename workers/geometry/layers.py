"""Which layers the curves are computed on: one for a prism, a few more where the section changes.

Between two computed layers of one zone (no horizontal face between them) the changed shares of the section are
interpolated along the height and multiplied by the section's own area, which is known at every slab; the bracket that
may be most wrong is split until what is left is small. Where that takes many layers, as in a lattice, layers are also
expected from those that measure the same (see kriging), when that leaves a much smaller error.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from workers.geometry.granulometry import BEAD_WIDTHS_MM, LayerCurves
from workers.geometry.kriging import Expected, Kriging
from workers.geometry.mend import Solid
from workers.geometry.mesh import Floats
from workers.geometry.sections import Slabs, outline
from workers.model.part import DetailCurves

MOST_LAYERS = 200
FEW_LAYERS = 24  # enough (the error left is said) once the outlines computed so far have MOST_CORNERS corners together
MOST_CORNERS = 100_000
LEFT_OVER = 5e-4  # of the volume, in any curve, for the layers not computed
TOLD_ABOVE = 1e-3  # an error left above this is said in the summary
LIKE_FROM = 16  # computed layers from which others may be expected by their measures
THINNED_MM = 0.002  # outlines, before they are offset: 1/50 of the narrowest bead
_WRONG = 0.25  # of the disagreement of its ends, a bracket is wrong by about this. Engineering prior.
_HIDDEN = (
    0.3  # of what the layer that loses most loses, a layer between may, where the section bends. Engineering prior.
)
# Of the error left in brackets: kriging's own standard error may be short by a few times where outlines change in
# steps, and is then not much smaller. Engineering prior.
_MUCH_LESS = 0.15
_SHORT = 3.0  # how many times short that standard error may be (a coarse lattice: 2.6); engineering prior
SLACK = 1e-3  # of the mean section area, a layer
_THREADS = 2
Progress = Callable[[float], None]


@dataclass(slots=True, eq=False)
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
    _corners: int = 0
    _kriging: Kriging | None = None
    _alike: Expected | None = None

    def compute(self, progress: Progress | None = None, most: int = MOST_LAYERS) -> LayerCurveSet:
        """Fills ``done``. progress is called with a share from 0 to 1."""
        with ThreadPoolExecutor(_THREADS) as pool:
            self._batch(pool, self._first())
            while wanted := self._next(most):
                self._batch(pool, wanted)
                if progress:
                    progress(self._spent(most))
        return self

    def notes(self) -> tuple[str, ...]:
        """What there is to say about how exact the curves are."""
        wrong = self.left_over * (_SHORT if self._alike else 1.0)
        if wrong <= TOLD_ABOVE:
            return ()
        return (
            f"detail curves from {len(self.done)} of {len(self.slabs.z)} sections: "
            f"they may be off by about {100 * wrong:.1g} % of the volume",
        )

    def _next(self, most: int) -> list[int]:
        """The layers to compute next; none when the error left is small or enough has been spent."""
        wrong = self._wrong_brackets()
        in_brackets = float(np.sum(list(wrong.values()), axis=0).max()) if wrong else 0.0
        self._alike = self._by_measures() if in_brackets > LEFT_OVER else None
        if self._alike and self._alike.left_over > _MUCH_LESS * in_brackets:
            self._alike = None
        self.left_over = self._alike.left_over if self._alike else in_brackets
        count = min(2 * _THREADS if self._alike else _THREADS, most - len(self.done))
        if self.left_over <= LEFT_OVER or self._enough(most):
            return []
        if self._alike:
            return self._alike.next(count)
        worst = sorted(wrong, key=lambda bracket: -float(wrong[bracket].max()))
        return [(i + j) // 2 for i, j in worst[:count]]

    def _enough(self, most: int) -> bool:
        return len(self.done) >= most or (len(self.done) >= FEW_LAYERS and self._corners >= self.most_corners)

    def _spent(self, most: int) -> float:
        few = min(len(self.done) / FEW_LAYERS, self._corners / self.most_corners)
        return min(max(len(self.done) / most, few), 1.0)

    def _batch(self, pool: ThreadPoolExecutor, wanted: list[int]) -> None:
        import shapely

        fresh = sorted(set(wanted) - self.done.keys())
        slack = SLACK * self.slabs.volume / float(self.slabs.dz.sum())
        sections = [outline(self.solid, self.slabs.z[i], THINNED_MM) for i in fresh]
        self._corners += int(shapely.get_num_coordinates(sections).sum())
        expected = [self._expected(i) for i in fresh]
        layers = pool.map(lambda s, e: LayerCurves(s, slack, expected=e).computed(), sections, expected)
        self.done.update(zip(fresh, layers, strict=True))

    def _by_measures(self) -> Expected | None:
        """All slabs as those with the same measures lead to expect, once there are a few."""
        if len(self.done) < LIKE_FROM:
            return None
        if self._kriging is None:
            self._kriging = Kriging.over(self.slabs)
        known = np.array(sorted(self.done))
        return self._kriging.expected(known, np.stack([self._changed(k).ravel() for k in known]))

    def _expected(self, slab: int) -> Floats | None:
        """(2, 2, 16) mm^2: what the layers computed so far lead to expect, where they do."""
        if self._alike:
            return np.maximum.accumulate(np.maximum(self._alike.values[slab].reshape(2, 2, -1), 0.0), axis=2)
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
            i, j = int(stretch[0]), int(stretch[-1])
            wanted += [i] if i == j else [i, i + round(0.37 * (j - i)), i + round(0.71 * (j - i)), j]
        return wanted

    def _stretches(self) -> list[np.ndarray]:
        zone = self.slabs.zone
        return [np.flatnonzero(zone == k) for k in np.unique(zone)]

    def _wrong_brackets(self) -> dict[tuple[int, int], Floats]:
        """(2, 2, 16) for each two neighbouring computed slabs with others between them.

        The most that interpolation across them may be wrong, as shares of the volume.
        """
        wrong, loudest = {}, self._loudest()
        for stretch in self._stretches():
            known = [int(k) for k in stretch if int(k) in self.done]
            wrong.update({(i, j): self._wrong(i, j, loudest) for i, j in pairwise(known) if j - i > 1})
        return wrong

    def _wrong(self, i: int, j: int, loudest: Floats) -> Floats:
        one, other = self._share(i), self._share(j)
        hidden = np.maximum(np.maximum(one, other), _HIDDEN * loudest)
        between = slice(i + 1, j)
        volume = float((self.slabs.area[between] * self.slabs.dz[between]).sum())
        return np.asarray(_WRONG * (np.abs(other - one) + self._bend(i, j) * hidden) * volume / self.slabs.volume)

    def _bend(self, i: int, j: int) -> float:
        """How far perimeter over area, known at every slab, strays from a line across the bracket, as a share.

        Where a part repeats itself the ends of a bracket may agree and its middle may not: this tells.
        """
        z = self.slabs.z[i : j + 1]
        edge = self.slabs.perimeter[i : j + 1] / np.maximum(self.slabs.area[i : j + 1], 1e-9)
        line = np.interp(z, [z[0], z[-1]], [edge[0], edge[-1]])
        most = float(edge.max())  # 0 between two parts of a body that lie one above the other
        return min(float(np.abs(edge - line).max()) / most, 1.0) if most > 0.0 else 0.0

    def _changed(self, slab: int) -> Floats:
        """(2, 2, 16) features and corners of a computed slab, mm^2."""
        layer = self.done[slab]
        return np.stack([layer.feature, layer.corner])

    def _share(self, slab: int) -> Floats:
        """The same as shares of the slab's section."""
        return self._changed(slab) / max(float(self.slabs.area[slab]), 1e-9)

    def _loudest(self) -> Floats:
        """What the computed slab that loses most loses: a slab between may lose as much."""
        return max((self._share(k) for k in self.done), key=lambda share: float(share.sum(axis=0).max()))

    def curves(self) -> DetailCurves:
        """The part's curves: layers summed over the height, as shares of the volume."""
        if self._alike:
            shares = (self._alike.weights @ self._alike.values).reshape(2, 2, -1)
        else:
            shares = np.tensordot(self.slabs.area * self.slabs.dz / self.slabs.volume, self._shares(), axes=1)
        feature, corner = np.clip(shares, 0.0, 1.0)
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
