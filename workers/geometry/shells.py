"""The closed shells of a surface: what each encloses, and whether they lie apart, far sooner than by uniting them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from workers.geometry.components import components
from workers.geometry.mesh import Floats, Ints, TriangleMesh

_MOST_SHELLS = 40  # pairs are looked at one by one
# The ray starts somewhere in a triangle and leans a little, so that it hardly meets an edge.
_PLACE, _LEAN = np.array([0.3137, 0.2719, 0.4144]), np.array([0.01237, 0.00731])


@dataclass(frozen=True, slots=True, eq=False)
class Shell:
    """faces (m, 3) of a closed surface, into vertices (n, 3), mm; box: lowest, then highest x, y, z.

    volume_mm3 is negative where it is inside out.
    """

    vertices: Floats
    faces: Ints
    volume_mm3: float
    area_mm2: float
    box: Floats


def shells_of(mesh: TriangleMesh) -> list[Shell]:
    """The pieces of a closed surface that hang together by their vertices."""
    from workers.geometry.enclosure import by_shell, figures

    a, b, c = mesh.faces.T
    label = components(len(mesh.vertices), np.concatenate([a, a]), np.concatenate([b, c]))
    count = int(label[a].max()) + 1
    ordered, starts = by_shell(mesh.faces, label, count)
    pieces = [ordered[starts[k] : starts[k + 1]] for k in range(count) if starts[k] < starts[k + 1]]
    return [Shell(mesh.vertices, faces, *figures(mesh.vertices, faces)) for faces in pieces]


def are_apart(shells: list[Shell]) -> bool:
    """Whether no two closed shells touch or hold one another. False where that is not plain."""
    if len(shells) > _MOST_SHELLS:
        return False
    return all(_two_apart(one, other) for one, other in combinations(shells, 2))


def _two_apart(one: Shell, other: Shell) -> bool:
    """Apart when the triangles of one in the box that both share keep off the triangles of the other."""
    shared = np.concatenate([np.maximum(one.box, other.box)[:3], np.minimum(one.box, other.box)[3:]])
    if (shared[:3] > shared[3:]).any():
        return True
    return not (_touch(one, other, shared) or _holds(one, other) or _holds(other, one))


def _touch(one: Shell, other: Shell, shared: Floats) -> bool:
    """Whether a box around all of the fewer touches any of the more; plain only, so rather yes than no."""
    from workers.geometry.enclosure import reaching_into

    here, around = reaching_into(one.vertices, one.faces, shared)
    there, around_other = reaching_into(other.vertices, other.faces, shared)
    if not here or not there:
        return False
    many, box = (other, around) if here < there else (one, around_other)
    both = np.concatenate([np.maximum(box, shared)[:3], np.minimum(box, shared)[3:]])
    return bool(reaching_into(many.vertices, many.faces, both)[0])


def _holds(shell: Shell, other: Shell) -> bool:
    """Whether a closed surface holds a place on another one: how often a ray upwards leaves it more than it enters."""
    from workers.geometry.enclosure import leavings

    place = _PLACE @ other.vertices[other.faces[0]]
    return bool(leavings(shell.vertices, shell.faces, place, _LEAN) != 0)
