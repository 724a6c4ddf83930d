"""Making a bag of triangles close: one winding, no doubles, every opening covered.

At each corner as many boundary edges leave as arrive (each triangle is a closed walk), so the boundary of
any bag of triangles falls into closed loops, and covering each loop always yields a closed surface.
"""

from __future__ import annotations

import numpy as np

from workers.geometry.errors import MeshNotSolidError
from workers.geometry.mesh import Floats, Ints, face_normals

# An outline with more open edges than this is a soup of loose triangles. Engineering prior.
MOST_OPEN_EDGES = 200_000


def directed_edges(faces: Ints) -> Ints:
    """(3m, 2): the edges of all faces in their own direction, all first edges first."""
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])


def joined_corners(vertices: Floats, faces: Ints, within_mm: float) -> Ints:
    """Faces with corners at most this far apart (in chains too) made one; those that collapse are dropped."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(vertices).query_pairs(within_mm, output_type="ndarray")
    if not len(pairs):
        return faces
    links = coo_matrix((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(vertices),) * 2)
    _, group = connected_components(links, directed=False)
    _, first = np.unique(group, return_index=True)
    joined = first[group][faces]
    a, b, c = joined.T
    return np.asarray(joined[(a != b) & (b != c) & (c != a)])


def without_doubles(faces: Ints) -> tuple[Ints, int]:
    """Faces that repeat another in the same direction dropped, and how many they were."""
    if not len(faces):
        return faces, 0
    turn = faces.argmin(axis=1)
    turned = np.stack([faces[np.arange(len(faces)), (turn + k) % 3] for k in range(3)], axis=1)
    _, keep = np.unique(turned, axis=0, return_index=True)
    return faces[np.sort(keep)], len(faces) - len(keep)


def one_winding(faces: Ints, areas: Floats) -> tuple[Ints, int]:
    """Neighbours made to agree on their direction, and how many faces were turned.

    Each face stands twice in a graph, as it is and turned; neighbours link what agrees. The two copies of a
    surface that can be oriented are then two separate pieces, and the one with less turned area is kept.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    m = len(faces)
    one, two, agree = _neighbours(faces)
    links = [
        (one, np.where(agree, two, two + m)),
        (one + m, np.where(agree, two + m, two)),
    ]
    rows, columns = (np.concatenate(side) for side in zip(*links, strict=True))
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(2 * m, 2 * m))
    _, label = connected_components(graph, directed=False)
    kept, turned = label[:m], label[m:]
    lower = np.minimum(kept, turned)
    as_is = np.bincount(lower, areas * (kept == lower), minlength=2 * m)
    otherwise = np.bincount(lower, areas * (turned == lower), minlength=2 * m)
    flip = np.where(as_is[lower] >= otherwise[lower], kept != lower, turned != lower) & (kept != turned)
    return np.where(flip[:, None], faces[:, ::-1], faces), int(flip.sum())


def _neighbours(faces: Ints) -> tuple[Ints, Ints, np.ndarray]:
    """Pairs of faces that alone share an edge, and whether they run along it in opposite directions."""
    edges = directed_edges(faces)
    owner = np.tile(np.arange(len(faces)), 3)
    low, high = edges.min(axis=1), edges.max(axis=1)
    order = np.lexsort((high, low))
    low, high = low[order], high[order]
    starts = np.flatnonzero(np.concatenate([[True], (low[1:] != low[:-1]) | (high[1:] != high[:-1])]))
    pairs = starts[np.diff(np.append(starts, len(low))) == 2]
    first, second = order[pairs], order[pairs + 1]
    return owner[first], owner[second], edges[first, 0] != edges[second, 0]


def missing_edges(faces: Ints) -> Ints:
    """(k, 2): the directed edges that covers must have so that every edge is walked both ways equally."""
    edges = directed_edges(faces)
    span = int(faces.max()) + 1
    keys = edges[:, 0] * span + edges[:, 1]
    back = edges[:, 1] * span + edges[:, 0]
    there, count = np.unique(np.concatenate([keys, back]), return_inverse=True)
    net = np.bincount(count[: len(keys)], minlength=len(there)) - np.bincount(count[len(keys) :], minlength=len(there))
    repeat = np.maximum(net, 0)
    open_keys = np.repeat(there, repeat)
    return np.stack([open_keys % span, open_keys // span], axis=1)


def covered(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, int, float]:
    """The surface with every opening covered by a fan; the number of covers and their area in mm^2."""
    edges = missing_edges(faces)
    if len(edges) > MOST_OPEN_EDGES:
        raise MeshNotSolidError(
            f"{len(edges):,} edges are open: these are loose triangles, not a surface with openings "
            f"(the limit is {MOST_OPEN_EDGES:,})."
        )
    loops = _simple_loops(edges)
    points, triangles = [vertices], [faces]
    start = len(vertices)
    for loop in loops:
        if len(loop) == 3:
            triangles.append(np.array([loop]))
            continue
        points.append(vertices[loop].mean(axis=0)[None])
        ring = np.array(loop)
        triangles.append(np.stack([ring, np.roll(ring, -1), np.full(len(ring), start)], axis=1))
        start += 1
    all_points, all_faces = np.concatenate(points), np.concatenate(triangles)
    _, areas = face_normals(all_points[all_faces[len(faces) :]])
    return all_points, all_faces, len(loops), float(areas.sum())


def _simple_loops(edges: Ints) -> list[list[int]]:
    """Closed walks without a repeated corner that use every edge once."""
    onward: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        onward.setdefault(a, []).append(b)
    loops: list[list[int]] = []
    for start in list(onward):
        walk, place = [start], {start: 0}
        while onward.get(walk[-1]):
            step = onward[walk[-1]].pop()
            if step not in place:
                place[step] = len(walk)
                walk.append(step)
                continue
            loop = walk[place[step] :]
            for corner in loop[1:]:
                del place[corner]
            del walk[place[step] + 1 :]
            if len(loop) > 2:
                loops.append(loop)
    return loops
