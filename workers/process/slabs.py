"""Section profiles of parts, each merged into a few representative slabs.

The print time is linear in section area and outline length except where the minimum layer time or full
walls set in, and both depend on the size of a section only. So sections are sorted by size before they
are merged: sum(area dz) and sum(perimeter dz) stay exact, and like is merged with like.

Every sum runs along one part in its own order, so a part comes out the same to the bit in any batch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from workers.learning.arrays import Array, floats
from workers.model.part import GeometrySummary

SLABS = 8  # ours: hours within a few parts in a thousand of every section kept
SKIN_MM = 0.8  # engineering prior: thickness of solid layers under each top and over each bottom face
_SORTING_SPACING_MM = 0.45  # ours: stands for every bead in the sorting key only
_HOP_SHARE = 0.25  # engineering prior: a hop between outlines, as a share of length plus width


@dataclass(frozen=True, slots=True)
class SlabBatch:
    """J parts of K slabs: arrays (J, K), then (J,). Empty slabs have dz 0.

    hop_mm: length of a travel move; inverse_chord: 1/mm, volume-weighted mean of 1 / (mean chord of the
    section); solid_share: share of the inside that top and bottom skins fill solid.
    """

    dz_mm: Array
    area_mm2: Array
    perimeter_mm: Array
    islands: Array
    hop_mm: Array
    inverse_chord: Array
    solid_share: Array


@dataclass(frozen=True, slots=True)
class _Sections:
    """Sections of J parts, arrays (J, N) padded with zeros; count (J,) of real ones."""

    dz: Array
    area: Array
    perimeter: Array
    islands: Array
    count: NDArray[np.intp]


def compress_profiles(summaries: Sequence[GeometrySummary], shells: Array, infill: Array) -> SlabBatch:
    """The parts' sections merged into SLABS slabs each; a prism where a summary has no profile.

    shells and infill (J,) only say which sections take alike long.
    """
    sections = _sections(summaries)
    return _merged(summaries, sections, _slab_of(sections, shells, infill), SLABS)


def uncompressed(summary: GeometrySummary) -> SlabBatch:
    """One part with every section of its profile as its own slab."""
    sections = _sections([summary])
    n = sections.dz.shape[1]
    return _merged([summary], sections, np.arange(n)[None, :], n)


def _merged(
    summaries: Sequence[GeometrySummary], sections: _Sections, slab_of: NDArray[np.intp], slabs: int
) -> SlabBatch:
    jobs = len(summaries)
    places = (slab_of + np.arange(jobs)[:, None] * slabs).ravel()

    def sums(values: Array) -> Array:
        return floats(np.bincount(places, values.ravel(), jobs * slabs)).reshape(jobs, slabs)

    dz = sums(sections.dz)
    areas, outlines, islands = (sums(v * sections.dz) for v in (sections.area, sections.perimeter, sections.islands))
    over = 1.0 / np.where(dz > 0.0, dz, 1.0)
    volume = np.maximum(areas.sum(axis=1), 1e-9)
    return SlabBatch(
        dz,
        areas * over,
        outlines * over,
        islands * over,
        np.array([_HOP_SHARE * (s.extent_x_mm + s.extent_y_mm) for s in summaries]),
        # Cauchy: the mean chord of a convex region is pi A / P, taken for others too.
        outlines.sum(axis=1) / (math.pi * volume),
        np.minimum(SKIN_MM * _faces_mm2(sections.area) / volume, 1.0),
    )


def _sections(summaries: Sequence[GeometrySummary]) -> _Sections:
    rows = [_profile_rows(s) for s in summaries]
    count = np.array([len(r[0]) for r in rows], dtype=np.intp)
    real = np.arange(count.max())[None, :] < count[:, None]

    def padded(values: Iterable[float]) -> Array:
        table = np.zeros(real.shape)
        table[real] = np.fromiter(values, np.float64, int(count.sum()))
        return table

    dz, area, perimeter, islands = (padded(chain.from_iterable(r[i] for r in rows)) for i in range(4))
    return _Sections(dz, area, perimeter, islands, count)


def _profile_rows(summary: GeometrySummary) -> tuple[Sequence[float], ...]:
    """Thickness, area, perimeter and islands of each section."""
    profile = summary.profile
    if profile is None or not profile.dz_mm:
        return _prism(summary)
    return profile.dz_mm, profile.area_mm2, profile.perimeter_mm, profile.islands


def _prism(summary: GeometrySummary) -> tuple[Sequence[float], ...]:
    """A prism of the part's volume and height; its outline from the surface area, else from the extents."""
    height = summary.extent_z_mm
    area = summary.volume_mm3 / height
    perimeter = 2.0 * (summary.extent_x_mm + summary.extent_y_mm)
    if summary.area_mm2 is not None and summary.area_mm2 > 2.0 * area:
        perimeter = (summary.area_mm2 - 2.0 * area) / height
    # No outline of that area is shorter than a circle's.
    perimeter = max(perimeter, 2.0 * math.sqrt(math.pi * area))
    return (height,), (area,), (perimeter,), (1.0,)


def _faces_mm2(area: Array) -> Array:
    """Area (J,) of top and bottom faces: the total variation of the section area over height (a lower bound)."""
    stepped = np.pad(area, ((0, 0), (1, 1)))
    return floats(np.cumsum(np.abs(stepped[:, 1:] - stepped[:, :-1]), axis=1)[:, -1])


def _slab_of(sections: _Sections, shells: Array, infill: Array) -> NDArray[np.intp]:
    """Slab (J, N) of each section; parts of few sections keep each its own.

    Sections are ranked by size; their place counts height and ratio of sizes half each, so that a thin
    plate under a tall post stays apart.
    """
    walls = np.minimum((shells[:, None] * _SORTING_SPACING_MM) * sections.perimeter, sections.area)
    size = np.log(walls + infill[:, None] * (sections.area - walls) + 1e-6)  # ours: not log 0
    each = np.arange(size.shape[1])[None, :]
    size[each >= sections.count[:, None]] = np.inf
    order = np.argsort(size, axis=1, kind="stable")
    place = _place(np.take_along_axis(sections.dz, order, axis=1), np.take_along_axis(size, order, axis=1))
    slab = np.empty(size.shape, dtype=np.intp)
    np.put_along_axis(slab, order, np.minimum((place * SLABS).astype(np.intp), SLABS - 1), axis=1)
    return np.where(sections.count[:, None] <= SLABS, np.minimum(each, SLABS - 1), slab)


def _place(dz: Array, size: Array) -> Array:
    """Place (J, N), 0 to 1, of sections sorted by size; 1 for the padding behind them."""
    height = np.cumsum(dz, axis=1)
    by_height = (height - dz / 2.0) / height[:, -1:]
    smallest = size[:, :1]
    largest = np.max(size, axis=1, keepdims=True, where=np.isfinite(size), initial=-np.inf)
    span = largest - smallest
    by_size = np.minimum(size - smallest, span) / np.where(span > 1e-9, span, 1.0)
    return np.where(span > 1e-9, (by_height + by_size) / 2.0, by_height)
