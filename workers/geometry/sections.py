"""Horizontal sections of a solid: where they are taken, how large they are, and their outlines."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from workers.geometry.cuts import THINNED_MM, Cuts, outline_of
from workers.geometry.mend import Solid
from workers.geometry.mesh import Floats, TriangleMesh
from workers.model.errors import InvalidError
from workers.model.part import SectionProfile

MOST_SLABS = 200
_THREADS = 2
# A face is horizontal when its normal is within this of the vertical; 1 - cos(0.8 deg). Engineering prior.
_FLAT_NORMAL = 1e-4
_UPRIGHT = 1e-5  # |n_z| of a wall: it leans by a micrometre in 100 mm
# Horizontal faces nearer to each other than this are one level.
_LEVEL_MM = 0.01
# Horizontal faces of less than this share of the mean section do not part the part into zones.
_LEVEL_SHARE = 0.005
# Neighbouring sections are the same when area and perimeter agree to this share.
_SAME = 2e-4


@dataclass(frozen=True, slots=True, eq=False)
class Slabs:
    """The part cut into slabs, none of which holds a horizontal face: all (n,), heights in mm.

    zone counts the horizontal faces below; perimeter in mm, area in mm^2. cuts: the sections themselves, where a
    solid was cut.
    """

    z: Floats
    dz: Floats
    zone: np.ndarray
    area: Floats
    perimeter: Floats
    islands: np.ndarray
    contours: np.ndarray
    cuts: Cuts | None = None

    def rings(self, k: int, thinned_mm: float = THINNED_MM) -> list[Floats]:
        """The thinned outline of section k: outer rings counter-clockwise, holes clockwise, each (m, 2).

        In mm, the first corner not repeated. No ring crosses or touches itself, none crosses another. Made anew at
        each call, which several threads may make at once.
        """
        return self._cuts().rings(k, thinned_mm)

    def outline(self, k: int, thinned_mm: float = THINNED_MM) -> Any:
        """The same as a valid shapely polygon or multipolygon."""
        return self._cuts().outline(k, thinned_mm)

    def _cuts(self) -> Cuts:
        if self.cuts is None:
            raise InvalidError("These slabs are figures alone: no solid was cut for them.")
        return self.cuts

    @property
    def volume(self) -> float:
        return float((self.area * self.dz).sum())


def horizontal_levels(mesh: TriangleMesh, mean_section_mm2: float) -> Floats:
    """Heights of the horizontal faces that matter, bottom and top included, rising, mm."""
    normals, areas = mesh.normals_areas
    flat = np.abs(normals[:, 2]) > 1 - _FLAT_NORMAL
    z, weight = mesh.vertices[mesh.faces[flat], 2].mean(axis=1), areas[flat]
    bottom, top = float(mesh.vertices[:, 2].min()), float(mesh.vertices[:, 2].max())
    inner = _clustered(z, weight, (bottom, top), _LEVEL_SHARE * mean_section_mm2)
    return np.concatenate([[bottom], inner, [top]])


def _clustered(z: Floats, weight: Floats, ends: tuple[float, float], least: float) -> Floats:
    """Area-weighted mean heights of groups of near levels; the largest if there are too many."""
    if not len(z):
        return np.empty(0)
    order = np.argsort(z)
    z, weight = z[order], weight[order]
    group = np.concatenate([[0], np.cumsum(np.diff(z) > _LEVEL_MM)])
    total = np.bincount(group, weight)
    level = np.bincount(group, z * weight) / np.maximum(total, 1e-300)
    keep = (total > least) & (level > ends[0] + _LEVEL_MM) & (level < ends[1] - _LEVEL_MM)
    level, total = level[keep], total[keep]
    return np.sort(level[np.argsort(-total)[: MOST_SLABS // 4]])


def slabs_of(solid: Solid, mesh: TriangleMesh, most: int = MOST_SLABS) -> Slabs:
    """Sections at the middle of up to about ``most`` slabs between the horizontal faces of the solid's surface.

    Between two horizontal faces with nothing but upright walls there is one section: one slab.
    """
    levels = horizontal_levels(mesh, solid.volume_mm3 / solid.extents_mm[2])
    prisms = _prisms(mesh, levels)
    heights, zone = [], []
    least = 3 if 3 * len(levels) <= most else 1
    for i, (low, high) in enumerate(pairwise(levels)):
        share = (high - low) / (levels[-1] - levels[0])
        count = 1 if prisms[i] else max(least, round((most - least * len(levels)) * share))
        heights.append(np.linspace(low, high, count + 1))
        zone.append(np.full(count, i))
    z = np.concatenate([(h[1:] + h[:-1]) / 2 for h in heights])
    cuts = Cuts(solid.body, z)
    with ThreadPoolExecutor(_THREADS) as pool:  # slicing lets go of the interpreter's lock
        measures = np.array(list(pool.map(lambda k: _measures(cuts.cut(k)), range(len(z))))).reshape(-1, 4)
    return Slabs(
        z=z,
        dz=np.concatenate([np.diff(h) for h in heights]),
        zone=np.concatenate(zone),
        area=measures[:, 0],
        perimeter=measures[:, 1],
        islands=measures[:, 2].astype(int),
        contours=measures[:, 3].astype(int),
        cuts=cuts,
    )


def _prisms(mesh: TriangleMesh, levels: Floats) -> list[bool]:
    """For each zone between levels, whether no leaning face reaches into it."""
    normals, areas = mesh.normals_areas
    lean = (np.abs(normals[:, 2]) > _UPRIGHT) & (areas > 0)
    low, high = (heights[lean] for heights in mesh.z_spans)
    margin = _LEVEL_MM / 2
    first = np.searchsorted(levels[1:], low + margin, side="right")
    beyond = np.searchsorted(levels[:-1], high - margin, side="left")
    reaches = first < beyond
    zones = len(levels) - 1
    begun, ended = (np.bincount(some[reaches], minlength=zones + 1) for some in (first, beyond))
    return [not inside for inside in np.cumsum(begun - ended)[:zones].tolist()]


def _measures(rings: list[Floats]) -> tuple[float, float, int, int]:
    """Area, perimeter, outer outlines, all outlines."""
    if not rings:
        return 0.0, 0.0, 0, 0
    points = np.concatenate(rings)
    ends = np.cumsum([len(ring) for ring in rings])
    after = np.arange(1, len(points) + 1)
    after[ends - 1] = np.concatenate([[0], ends[:-1]])
    ahead = points[after]
    step = ahead - points
    cross = points[:, 0] * ahead[:, 1] - points[:, 1] * ahead[:, 0]
    areas = np.add.reduceat(cross, np.concatenate([[0], ends[:-1]])) / 2
    return float(areas.sum()), float(np.hypot(step[:, 0], step[:, 1]).sum()), int((areas > 0).sum()), len(rings)


def same_runs(slabs: Slabs) -> np.ndarray:
    """(n,) a number for each slab; neighbours in one zone with the same section share it."""
    area, perimeter = slabs.area, slabs.perimeter
    same = np.abs(np.diff(area)) <= _SAME * np.maximum(area[1:], area[:-1])
    same &= np.abs(np.diff(perimeter)) <= _SAME * np.maximum(perimeter[1:], perimeter[:-1])
    same &= (np.diff(slabs.zone) == 0) & (np.diff(slabs.islands) == 0) & (np.diff(slabs.contours) == 0)
    run = np.concatenate([[0], np.cumsum(~same)])
    return _without_drift(run, area)


def _without_drift(run: np.ndarray, area: Floats) -> np.ndarray:
    """A run whose area creeps by more than ten times the tolerance is no prism: its slabs stand alone."""
    out, number = np.empty_like(run), -1
    for value in np.unique(run):
        members = np.flatnonzero(run == value)
        spread = np.ptp(area[members])
        alone = spread > 10 * _SAME * max(float(area[members].max()), 1e-300)
        for k, member in enumerate(members):
            number += 1 if alone or k == 0 else 0
            out[member] = number
    return out


def profile_of(slabs: Slabs) -> SectionProfile:
    """The profile with slabs of equal section joined."""
    runs = same_runs(slabs)
    groups = [np.flatnonzero(runs == r) for r in range(runs.max() + 1)]
    dz = [float(slabs.dz[g].sum()) for g in groups]
    low = slabs.z - slabs.dz / 2
    return SectionProfile(
        z_mm=tuple(float(low[g[0]]) + d / 2 for g, d in zip(groups, dz, strict=True)),
        dz_mm=tuple(dz),
        area_mm2=tuple(_mean(slabs.area, slabs.dz, g) for g in groups),
        perimeter_mm=tuple(_mean(slabs.perimeter, slabs.dz, g) for g in groups),
        islands=tuple(int(slabs.islands[g[0]]) for g in groups),
    )


def _mean(values: Floats, weights: Floats, group: np.ndarray) -> float:
    return float(np.average(values[group], weights=weights[group]))


def outline(solid: Solid, z: float, thinned_mm: float = THINNED_MM) -> Any:
    """The section at z as a valid shapely polygon or multipolygon, in mm."""
    return outline_of(solid.body.slice(float(z)), thinned_mm)
