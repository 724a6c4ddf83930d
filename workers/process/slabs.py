"""A part's section profile, merged into a few representative slabs.

The print time is linear in section area and outline length except where the minimum layer time or full
walls set in, and both depend on the size of a section only. So sections are sorted by size before they
are merged: sum(area dz) and sum(perimeter dz) stay exact, and like is merged with like.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workers.learning.arrays import Array, floats
from workers.model.part import GeometrySummary

SLABS = 8
SKIN_MM = 0.8  # engineering prior: thickness of solid layers under each top and over each bottom face
_SORTING_SPACING_MM = 0.45  # bead spacing that stands for all in the sorting key only
_HOP_SHARE = 0.25  # engineering prior: a hop between outlines, as a share of length plus width


@dataclass(frozen=True, slots=True)
class Slabs:
    """One part. Arrays (K,); empty slabs have dz 0.

    hop_mm: length of a travel move; inverse_chord: 1/mm, volume-weighted mean of 1 / (mean chord of the
    section); solid_share: share of the inside that top and bottom skins fill solid.
    """

    dz_mm: Array
    area_mm2: Array
    perimeter_mm: Array
    islands: Array
    hop_mm: float
    inverse_chord: float
    solid_share: float


@dataclass(frozen=True, slots=True)
class SlabBatch:
    """The slabs of J parts: arrays (J, K) and (J,), as in Slabs."""

    dz_mm: Array
    area_mm2: Array
    perimeter_mm: Array
    islands: Array
    hop_mm: Array
    inverse_chord: Array
    solid_share: Array


def compress_profile(summary: GeometrySummary, shells: int, infill: float, slabs: int = SLABS) -> Slabs:
    """At most ``slabs`` slabs for a part; a prism where the summary has no profile.

    shells and infill only say which sections take alike long.
    """
    sections = sections_of(summary)
    if len(sections.dz_mm) <= slabs:
        return _padded(sections, slabs)
    bins = _bins(sections, shells, infill, slabs)
    dz = floats(np.bincount(bins, sections.dz_mm, slabs))
    over = 1.0 / np.where(dz > 0.0, dz, 1.0)

    def mean(values: Array) -> Array:
        return np.bincount(bins, values * sections.dz_mm, slabs) * over

    return Slabs(
        dz,
        mean(sections.area_mm2),
        mean(sections.perimeter_mm),
        mean(sections.islands),
        sections.hop_mm,
        sections.inverse_chord,
        sections.solid_share,
    )


def sections_of(summary: GeometrySummary) -> Slabs:
    """Every section of the profile as its own slab, none merged."""
    dz, area, perimeter, islands = _profile_arrays(summary)
    volume = max(float(area @ dz), 1e-9)
    return Slabs(
        dz,
        area,
        perimeter,
        islands,
        _HOP_SHARE * (summary.extent_x_mm + summary.extent_y_mm),
        # Cauchy: the mean chord of a convex region is pi A / P, taken for others too.
        float(perimeter @ dz) / (math.pi * volume),
        min(1.0, SKIN_MM * _faces_mm2(area) / volume),
    )


def stack_slabs(parts: Sequence[Slabs]) -> SlabBatch:
    """The slabs of J parts, each with the same K, as one batch."""
    return SlabBatch(
        np.stack([p.dz_mm for p in parts]),
        np.stack([p.area_mm2 for p in parts]),
        np.stack([p.perimeter_mm for p in parts]),
        np.stack([p.islands for p in parts]),
        np.array([p.hop_mm for p in parts]),
        np.array([p.inverse_chord for p in parts]),
        np.array([p.solid_share for p in parts]),
    )


def _profile_arrays(summary: GeometrySummary) -> tuple[Array, Array, Array, Array]:
    profile = summary.profile
    if profile is None or not profile.dz_mm:
        return _prism(summary)
    return (
        np.array(profile.dz_mm, dtype=np.float64),
        np.array(profile.area_mm2, dtype=np.float64),
        np.array(profile.perimeter_mm, dtype=np.float64),
        np.array(profile.islands, dtype=np.float64),
    )


def _prism(summary: GeometrySummary) -> tuple[Array, Array, Array, Array]:
    """A prism of the part's volume and height; its outline from the surface area, else from the extents."""
    height = summary.extent_z_mm
    area = summary.volume_mm3 / height
    perimeter = 2.0 * (summary.extent_x_mm + summary.extent_y_mm)
    if summary.area_mm2 is not None and summary.area_mm2 > 2.0 * area:
        perimeter = (summary.area_mm2 - 2.0 * area) / height
    # No outline of that area is shorter than a circle's.
    perimeter = max(perimeter, 2.0 * math.sqrt(math.pi * area))
    return np.array([height]), np.array([area]), np.array([perimeter]), np.array([1.0])


def _faces_mm2(area: Array) -> float:
    """Area of top and bottom faces: the total variation of the section area over height (a lower bound)."""
    return float(np.abs(np.diff(area, prepend=0.0, append=0.0)).sum())


def _bins(sections: Slabs, shells: int, infill: float, slabs: int) -> NDArray[np.intp]:
    """Slab of each section: steps of equal height and of equal ratio in size, half each."""
    walls = np.minimum(shells * sections.perimeter_mm * _SORTING_SPACING_MM, sections.area_mm2)
    size = np.log(walls + infill * (sections.area_mm2 - walls) + 1e-6)
    order = np.argsort(size, kind="stable")
    share = sections.dz_mm[order] / sections.dz_mm.sum()
    low, span = size[order[0]], size[order[-1]] - size[order[0]]
    place = np.cumsum(share) - share / 2.0
    if span > 1e-9:
        place = (place + (size[order] - low) / span) / 2.0
    bins = np.empty(len(order), dtype=np.intp)
    bins[order] = np.clip((place * slabs).astype(np.intp), 0, slabs - 1)
    return bins


def _padded(sections: Slabs, slabs: int) -> Slabs:
    missing = slabs - len(sections.dz_mm)

    def pad(values: Array) -> Array:
        return np.pad(values, (0, missing))

    return Slabs(
        pad(sections.dz_mm),
        pad(sections.area_mm2),
        pad(sections.perimeter_mm),
        pad(sections.islands),
        sections.hop_mm,
        sections.inverse_chord,
        sections.solid_share,
    )
