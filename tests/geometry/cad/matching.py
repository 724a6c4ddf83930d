"""Features found against features that are there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workers.geometry.features import features_of
from workers.geometry.mend import solid_of
from workers.geometry.mesh import face_normals
from workers.geometry.walls import Surface
from workers.model.part import FeatureKind

ROUND = (FeatureKind.HOLE, FeatureKind.BOSS)


@dataclass
class Tally:
    """Sums over parts: true features, those found, finds that are none, and the errors of the diameter in mm."""

    true: int = 0
    hits: int = 0
    false: int = 0
    errors: tuple[float, ...] = ()
    flats_errors: tuple[float, ...] = ()
    missed: tuple[object, ...] = ()
    invented: tuple[object, ...] = ()

    def __add__(self, other):
        return Tally(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))

    @property
    def recall(self):
        return self.hits / self.true

    @property
    def precision(self):
        return self.hits / max(self.hits + self.false, 1)

    @property
    def worst(self):
        return max(self.errors, default=0.0)


def found_in(mesh, *kinds):
    """Features of a mesh after the same mending that every upload goes through, outside lengths left out."""
    kinds = kinds or tuple(set(FeatureKind) - {FeatureKind.LENGTH})
    return [f for f in features_of(Surface(solid_of(mesh).triangles())) if f.kind in kinds]


def tallied(found, truths, mesh=None, *, within_mm):
    """Each true feature takes the nearest find of its kind and direction whose size is within that of its own.

    ``mesh``, where its corners are exact, gives the size across the flats of walls that run straight from end to end.
    """
    left, tally = list(found), Tally(true=len(truths))
    for truth in truths:
        one = min((f for f in left if _is(f, truth, within_mm)), key=lambda f: _apart(f, truth), default=None)
        if one is None:
            tally.missed += (truth,)
            continue
        left.remove(one)
        tally.hits += 1
        tally.errors += (abs(one.nominal_mm - truth.size),)
        if mesh is not None and truth.kind in ROUND and truth.depth is not None:
            tally.flats_errors += (abs(one.across_flats_mm - across_flats(mesh, truth)),)
    tally.false, tally.invented = len(left), tuple(left)
    return tally


def _is(feature, truth, within_mm):
    alike = feature.kind is truth.kind and abs(np.dot(feature.direction, truth.along)) > np.cos(np.radians(2))
    across = np.array(feature.at_mm) - truth.at
    across = across - np.dot(across, truth.along) * np.array(truth.along)
    near = np.linalg.norm(across) < 0.2 and _apart(feature, truth) < 0.35 * (truth.depth or 25) + 0.2
    return alike and near and abs(feature.nominal_mm - truth.size) <= within_mm


def _apart(feature, truth):
    return float(np.linalg.norm(np.array(feature.at_mm) - truth.at))


def across_flats(mesh, truth):
    """The widest pin that fits, by brute force over the edges that join two corners on the true cylinder."""
    along = np.array(truth.along)
    arms = mesh.vertices - truth.at
    place = arms @ along
    arms = arms - place[:, None] * along
    on = np.abs(np.linalg.norm(arms, axis=1) - truth.size / 2) < 1e-4
    on &= np.abs(place) < (truth.depth or 40) / 2 + 0.01
    radial = arms[mesh.faces].mean(axis=1)
    radial /= np.maximum(np.linalg.norm(radial, axis=1), 1e-9)[:, None]
    wall = np.abs(np.einsum("ij,ij->i", face_normals(mesh.corners)[0], radial)) > 0.9
    faces = mesh.faces[on[mesh.faces].all(axis=1) & wall]
    share = np.linspace(0, 1, 61)[:, None, None]
    between = [arms[faces[:, i]] + share * (arms[faces[:, j]] - arms[faces[:, i]]) for i, j in ((0, 1), (1, 2), (2, 0))]
    return 2 * min(float(np.linalg.norm(points, axis=-1).min()) for points in between)
