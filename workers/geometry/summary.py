"""Bytes to a geometry summary: the story of one analysis, from the file to the figures."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from workers.geometry.features import features_of, search_notes
from workers.geometry.layers import LayerCurveSet, corners_for
from workers.geometry.limits import MeshLimits
from workers.geometry.load import load_mesh
from workers.geometry.mend import Solid, solid_of
from workers.geometry.orientation import Pose, poses
from workers.geometry.sections import profile_of, slabs_of
from workers.geometry.smallest import smallest_of
from workers.geometry.surface import longest_bridge, overhang_area, slopes_of
from workers.geometry.walls import Surface
from workers.geometry.worst import worst_layers
from workers.model.part import GeometrySummary, Trust

Progress = Callable[[str, float], None]  # phase, percent of the whole analysis
Seen = Callable[[Solid], None]  # given the part as it lies in the file, when its summary is there
# A body whose sections hold this share less or more than its volume crosses itself.
_CROSSING = 0.01
_THREADS = 2


def summarise(
    data: bytes,
    *,
    fmt: str | None,
    unit: str,
    limits: MeshLimits | None = None,
    progress: Progress | None = None,
    seen: Seen | None = None,
) -> GeometrySummary:
    """The summary of a mesh as it lies in the file, z up.

    fmt: stl, 3mf, obj, ply, off or None (by content); unit: mm, cm, m, inch, foot or micron (3MF has its own).
    Raises MeshRefusedError or a subclass.
    """
    say = progress or _silent
    solid = _solid(data, fmt, unit, limits, say)
    summary = _summary(solid, _Scaled(say, 25.0, 100.0))
    if seen is not None:
        seen(solid)
    return summary


def summarise_poses(
    data: bytes,
    *,
    fmt: str | None,
    unit: str,
    limits: MeshLimits | None = None,
    progress: Progress | None = None,
    most: int = 4,
    seen: Seen | None = None,
) -> tuple[tuple[Pose, GeometrySummary], ...]:
    """The summaries of the part as given and in its few stable resting poses. Raises as ``summarise``."""
    say = progress or _silent
    solid = _solid(data, fmt, unit, limits, say)
    chosen = poses(solid, most=most)
    step = 75.0 / len(chosen)
    pairs = tuple(
        (
            pose,
            _summary(solid.turned(pose.matrix()), _Scaled(say, 25.0 + i * step, 25.0 + (i + 1) * step), len(chosen)),
        )
        for i, pose in enumerate(chosen)
    )
    if seen is not None:
        seen(solid)
    return pairs


def _silent(_phase: str, _percent: float) -> None:
    return None


@dataclass(frozen=True, slots=True)
class _Scaled:
    """Reports shares of one stretch as percent of the whole."""

    say: Progress
    low: float
    high: float

    def __call__(self, phase: str, share: float) -> None:
        self.say(phase, round(self.low + share * (self.high - self.low), 1))


def _solid(data: bytes, fmt: str | None, unit: str, limits: MeshLimits | None, say: Progress) -> Solid:
    say("load", 0.0)
    mesh = load_mesh(data, fmt=fmt, unit=unit, limits=limits)
    say("mend", 10.0)
    return solid_of(mesh)


def _summary(solid: Solid, say: _Scaled, poses: int = 1) -> GeometrySummary:
    """One of so many poses, which share the work that may be spent."""
    say("sections", 0.0)
    mesh = solid.triangles()
    x, y, z = solid.extents_mm
    with ThreadPoolExecutor(_THREADS) as pool:  # beside each other: most of it lets go of the interpreter's lock
        surface = Surface(mesh)
        features = pool.submit(features_of, surface)
        slabs = slabs_of(solid, mesh)
        say("curves", 0.1)
        layers = LayerCurveSet(slabs, most_corners=corners_for(len(mesh.faces)) // poses).compute(
            lambda share: say("curves", 0.1 + 0.6 * share)
        )
        say("features", 0.75)
        worst = pool.submit(worst_layers, layers)
        smallest = smallest_of(solid, layers)
        found = features.result()
    say("surface", 0.9)
    volume, mended, trust = _volume(solid, slabs.volume)
    summary = GeometrySummary(
        extent_x_mm=x,
        extent_y_mm=y,
        extent_z_mm=z,
        volume_mm3=volume,
        area_mm2=solid.area_mm2,
        profile=profile_of(slabs),
        curves=layers.curves(),
        smallest=smallest,
        features=found,
        slopes=slopes_of(surface),
        overhang_area_mm2=overhang_area(surface),
        longest_bridge_mm=longest_bridge(surface),
        bodies=solid.bodies,
        watertight=solid.watertight,
        mended=mended + solid.notes,
        trust=trust,
        worst_layers=worst.result(),
        notes=solid.hints + layers.notes() + search_notes(surface),
    )
    say("done", 1.0)
    return summary


def _volume(solid: Solid, in_sections: float) -> tuple[float, tuple[str, ...], Trust]:
    """The volume, from the sections where the surface crosses itself, with what there is to say about it."""
    volume = solid.volume_mm3
    if abs(in_sections - volume) <= _CROSSING * volume:
        return volume, solid.mended, solid.trust
    said = f"the surface crosses itself: volume taken from its sections ({in_sections:.6g}, not {volume:.6g} mm3)"
    return in_sections, (*solid.mended, said), Trust.LOW
