"""Round holes and bosses: walls whose corners lie on a circle, all the way round, with sharp ends.

Facets find the walls (any tessellation of nine facets or more, noise included); the circle is fitted to the corners
seen along the axis, which is the section through them. A torus, a sphere or a fillet has such walls too, but they run
smoothly on at their ends; an octagon's faces turn too sharply to be one wall. A circle that thinning left with fewer
and wider facets is known by its corners: all still on one circle, and spaced as no one would draw them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from workers.geometry.finds import Finds, Found
from workers.geometry.mesh import Floats
from workers.geometry.walls import SMOOTH_COS, Surface, Wall, walls
from workers.model.part import Axis, FeatureKind

_WIDEST_GAP = math.radians(62.4)  # no whole number of usual facets, so that rounding never decides
# A corner may be off the circle by this, or this share of the radius: room for 20 um of noise (2.5 deviations).
_OFF_MM, _OFF_SHARE = 0.05, 0.005
_NEAREST_SHARE = math.cos(math.radians(20.5))  # a facet of a ninth of a turn is 20 degrees to either side
# Of the corners' distance from the facets' mean, and deviation over mean of the facets' angles: measured on meshes
# thinned to half by quadrics (Garland & Heckbert 1997), 0.45 and more against up to 0.15 for noise; 0.3 against 0.1.
_THINNED_OFF, _UNEVEN = 0.3, 0.1
_THINNED_SHARE = math.cos(math.radians(25.0))  # of the nearest edge of such a mesh: an octagon's are even
# What is left of a circle whose corners stayed: on it to this share of the radius, six or more of them, facets turning
# by no more than this, facing it by no less, three gaps or more unlike the usual one (a bore with one or two flats is
# drawn so), and no turn that brings the gaps back (a polygon, eased or not). Measured on the same meshes.
_ON_SHARE, _LEAST_CORNERS, _THINNED_GAP, _THINNED_LEAN = 1e-3, 6, math.radians(95.0), 0.75
_ALIKE, _LEAST_ODD = math.radians(4.0), 3
_COVERED = 0.9  # of its cylinder by a wall between fillets
_LEAST_MM = 0.3  # a smaller circle is below what any bead resolves


def rounds_of(surface: Surface, axes: list[Floats], whole: Iterable[Wall]) -> list[Found]:
    """All round holes and bosses around the given axes; whole: the walls that go on over edges of any turn."""
    found = Finds()
    smooth = surface.turn_cos > SMOOTH_COS
    taken = np.zeros(len(surface.areas), dtype=bool)
    for axis in axes:
        for wall in walls(surface, axis, smooth):
            one = _sharp_ended(wall) or _filleted(wall)
            if one is not None:
                taken[wall.faces] = True
                _keep(found, one)
    for wall in whole:
        one = None if taken[wall.faces].any() else _thinned(wall)
        if one is not None:
            _keep(found, one)
    return found.every


def _keep(found: Finds, one: Found) -> None:
    if not found.hold(one):
        found.add(one)


def _sharp_ended(wall: Wall) -> Found | None:
    """A wall that is one as it stands, or around the axis that it shows itself."""
    return (_round(wall) or _round(wall.straightened())) if wall.meets_sharp else None


def _filleted(wall: Wall) -> Found | None:
    """A wall that is one without its fillets: they are asked for last, since most are no rings by then."""
    bare = wall.upright()
    if bare is None or bare.widest_gap > _WIDEST_GAP or not wall.has_fillets():
        return None
    return _round(bare)


def _round(wall: Wall | None) -> Found | None:
    if wall is None or wall.widest_gap > _WIDEST_GAP or wall.span is None:
        return None
    ring = _Ring.of(wall)
    if abs(ring.lean) < 0.85 or not ring.is_round() or (wall.flared and ring.off > ring.room()):
        return None
    return _found(wall, ring, ring.true_radius())


def _thinned(wall: Wall) -> Found | None:
    """A circle whose corners stayed where they were when others were taken away."""
    if wall.widest_gap > _THINNED_GAP or wall.span is None:
        return None
    centre, radius = fitted_circle(wall.flat)
    if not lost_corners(wall.flat - centre, radius):
        return None
    ring = _Ring.of(wall)
    return _found(wall, ring, ring.radius) if abs(ring.lean) >= _THINNED_LEAN else None


def _found(wall: Wall, ring: _Ring, radius: float) -> Found | None:
    span = wall.span
    if 2 * ring.radius < _LEAST_MM or span is None:
        return None
    if wall.flared and wall.areas.sum() < _COVERED * 2 * math.pi * radius * (span[1] - span[0]):
        return None  # patches of a curved surface that happen to stand upright
    kind = FeatureKind.BOSS if ring.lean > 0 else FeatureKind.HOLE
    return Found(
        kind,
        2 * radius,
        span[1] - span[0],
        wall.plane @ ring.centre + wall.axis * (span[0] + span[1]) / 2,
        wall.axis,
        is_through(wall) if kind is FeatureKind.HOLE else None,
        ring.facets,
        2 * ring.nearest,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Ring:
    """A wall's corners around the circle fitted to them, lengths in mm.

    off: how far nineteen corners of twenty are from the circle at most; nearest: the edge next to the axis, so that
    twice this is the widest pin that fits (for a regular n-gon d cos(pi / n)); middling: the mean distance of the
    facets; lean: 1 where all face outwards, -1 inwards; unevenness: that of the facets' angles (deviation / mean).
    """

    centre: Floats
    radius: float
    off: float
    nearest: float
    middling: float
    lean: float
    facets: int
    unevenness: float

    @classmethod
    def of(cls, wall: Wall) -> _Ring:
        from workers.geometry.rings import nearest_edge

        centre, radius = fitted_circle(wall.flat)
        x, y = centre
        off = _quantile(np.sort(np.abs(np.hypot(*(wall.flat - centre).T) - radius)), 0.95)
        outward = np.einsum("ij,ij->i", wall.middles - centre, wall.facing)
        outwards = float(outward @ wall.areas / wall.areas.sum())
        facets, unevenness = _facets(wall, centre)
        mesh, room = wall.surface.mesh, max(2 * off, _OFF_MM)
        nearest = nearest_edge(wall.faces, mesh.faces, mesh.vertices, wall.plane, x, y, radius, room)
        return cls(
            centre,
            radius,
            off,
            float(nearest),
            abs(outwards),
            outwards / max(radius, 1e-9),
            facets,
            unevenness,
        )

    def is_thinned(self) -> bool:
        """Whether the corners are off the circle as thinning leaves them: unevenly, by the facets' own sagitta."""
        return self.off > _THINNED_OFF * (self.radius - self.middling) and self.unevenness > _UNEVEN

    def room(self) -> float:
        """How far a corner may be off the circle, mm."""
        return max(_OFF_MM, _OFF_SHARE * self.radius)

    def is_round(self) -> bool:
        """Whether the corners keep to the circle and no facet is as wide as those of an octagon."""
        room, least = self.room(), _NEAREST_SHARE
        if self.is_thinned():
            room, least = max(room, self.radius - self.middling), _THINNED_SHARE
        return self.off <= room and self.nearest >= least * self.radius

    def true_radius(self) -> float:
        """Through the corners; of a thinned mesh, whose corners were pushed out, that of the same circumference.

        An n-gon with corners at R and facets at R cos(x), x = pi / n, is as long as a circle of R (1 - x^2 / 6),
        which is a third of the way from the corners to the facets.
        """
        return (2 * self.radius + self.middling) / 3 if self.is_thinned() else self.radius


def fitted_circle(points: Floats) -> tuple[Floats, float]:
    """Centre and radius of the least-squares circle."""
    from workers.geometry.rings import fitted

    x, y, radius = fitted(points)
    return np.array([x, y]), float(radius)


def _facets(wall: Wall, centre: Floats) -> tuple[int, float]:
    """Corners of the circle at the end that has more, and unevenness of their angles at the end where it is greater."""
    arms = wall.flat - centre
    turn = np.arctan2(arms[:, 1], arms[:, 0])
    low = wall.along < (wall.along.min() + wall.along.max()) / 2
    counts, uneven = zip(*(_corners(turn[end]) for end in (low, ~low)), strict=True)
    return max(counts), max(uneven)


def _corners(turn: Floats) -> tuple[int, float]:
    """Groups of equal azimuth, by gaps well under the widest, and how uneven the gaps are; at least three groups.

    Where something cuts the wall open, the facets that are left tell how many the whole circle would have.
    """
    if len(turn) < 3:
        return 3, 0.0
    turn = np.sort(turn)
    gaps = np.sort(np.append(np.diff(turn), turn[0] + 2 * math.pi - turn[-1]))
    widest = float(gaps[-1])
    real = gaps[np.searchsorted(gaps, 0.1 * widest, side="right") :]
    usual = _quantile(real, 0.5)
    within = real[: np.searchsorted(real, 1.8 * usual, side="right")]
    mean = float(within.sum()) / len(within)
    unevenness = math.sqrt(float(((within - mean) ** 2).sum()) / len(within)) / mean
    if widest > 1.8 * usual:
        return max(round(2 * math.pi / usual), 3), unevenness
    return max(len(gaps) - int(np.searchsorted(gaps, 0.3 * widest, side="right")), 3), unevenness


def _quantile(rising: Floats, share: float) -> float:
    """Of values in order, as numpy's, without the price of its generality on a few of them."""
    place = share * (len(rising) - 1)
    low, high = float(rising[int(place)]), float(rising[min(int(place) + 1, len(rising) - 1)])
    return low + (high - low) * (place - int(place))


def lost_corners(arms: Floats, radius: float) -> bool:
    """Whether corners (k, 2) around a centre are what thinning left of a circle, and no polygon that was drawn."""
    if np.abs(np.linalg.norm(arms, axis=1) - radius).max() > _ON_SHARE * radius:
        return False
    turn = np.sort(np.arctan2(arms[:, 1], arms[:, 0]))
    gaps = np.diff(np.append(turn, turn[0] + 2 * math.pi))
    gaps = gaps[gaps > 0.02]
    if len(gaps) < _LEAST_CORNERS:
        return False
    if np.count_nonzero(np.abs(gaps - np.median(gaps)) > _ALIKE) < _LEAST_ODD:
        return False
    shifts = (np.arange(len(gaps))[None] + np.arange(1, len(gaps))[:, None]) % len(gaps)
    return bool((np.abs(gaps[shifts] - gaps).max(axis=1) > _ALIKE).all())


def is_through(wall: Wall) -> bool:
    """Whether both ends are open: the faces beyond the rim lie behind the wall, not before it as a floor does."""
    from workers.geometry.rims import heights_beyond

    surface, mesh = wall.surface, wall.surface.mesh
    ahead = heights_beyond(*wall.ends, surface.neighbours[2], mesh.faces, mesh.vertices, surface.normals)
    place, length, sharp = wall.rim
    sharp = sharp | wall.flared
    middle = (wall.along.min() + wall.along.max()) / 2
    for side in ((place < middle) & sharp, (place >= middle) & sharp):
        if length[side & (ahead < 0)].sum() < 0.5 * length[side].sum():
            return False
    return True


def axis_kind(direction: Sequence[float] | Floats) -> Axis:
    """Against the build direction z, to 1.1 degrees."""
    up = abs(float(direction[2]))
    if up > math.cos(math.radians(1.1)):
        return Axis.VERTICAL
    return Axis.HORIZONTAL if up < math.sin(math.radians(1.1)) else Axis.INCLINED
