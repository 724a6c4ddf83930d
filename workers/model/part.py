"""The geometry summary: what a part is, with no nozzle in it. Every bore is scored from it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SUMMARY_VERSION = "1"


class FeatureKind(StrEnum):
    HOLE = "hole"  # round, inside; nominal is the diameter
    BOSS = "boss"  # round, outside; nominal is the diameter
    FLAT_HOLE = "flat-hole"  # flat-sided, inside; nominal is the size across flats
    SLOT = "slot"  # inside width
    RIB = "rib"  # outside width of something thin
    LENGTH = "length"  # outside size of the body


class Axis(StrEnum):
    """Direction of a feature's axis against the build direction."""

    VERTICAL = "vertical"
    HORIZONTAL = "horizontal"
    INCLINED = "inclined"


class Trust(StrEnum):
    """How far a summary may be believed."""

    FULL = "full"  # closed mesh, or measured by hand
    MENDED = "mended"  # a closed solid after mending
    LOW = "low"  # a stated fallback was used


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionProfile:
    """Horizontal sections through the part at mid-slab heights.

    z_mm (n,) rising, dz_mm (n,) slab thicknesses that sum to the height, area_mm2 (n,) of material,
    perimeter_mm (n,) of all outlines, islands (n,) separate outlines; n from 1 to 1,000.
    """

    z_mm: tuple[float, ...]
    dz_mm: tuple[float, ...]
    area_mm2: tuple[float, ...]
    perimeter_mm: tuple[float, ...]
    islands: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DetailCurves:
    """Granulometry of the layer sections (Matheron 1975; Serra 1982), all (n,), n >= 16.

    bead_width_mm rises from 0.1 to 2. Every other array is a fraction of the part's volume (area of the
    layer sections, summed over height), in [0, 1], not falling with width:
    feature_loss: whole features (ribs, strokes, points) that an opening by that disc removes;
    corner_loss: what the opening takes off convex corners only;
    feature_gain: slots, gaps and holes that a closing fills;
    corner_gain: what the closing adds in concave corners only.
    Values stand for a bead a hair narrower than bead_width_mm, so a rib exactly as wide counts as kept.
    """

    bead_width_mm: tuple[float, ...]
    feature_loss: tuple[float, ...]
    corner_loss: tuple[float, ...]
    feature_gain: tuple[float, ...]
    corner_gain: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallestFeatures:
    """The narrowest of each, where known; None: none finer than 2 mm, or not known.

    stroke_mm: of raised or engraved lettering; corner_radius_mm: of inner corners in the layers, 0 for a sharp one.
    """

    rib_mm: float | None = None
    slot_mm: float | None = None
    stroke_mm: float | None = None
    corner_radius_mm: float | None = None
    rib_at_mm: tuple[float, float, float] | None = None
    slot_at_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """A measurable feature of the part.

    nominal_mm is through the vertices for faceted rounds; across_flats_mm = d cos(pi/n) beside it.
    """

    name: str
    kind: FeatureKind
    nominal_mm: float
    axis: Axis = Axis.VERTICAL
    depth_mm: float | None = None
    through: bool | None = None
    facets: int | None = None
    across_flats_mm: float | None = None
    at_mm: tuple[float, float, float] | None = None
    direction: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeDistribution:
    """Share of the surface area (sums to 1) by |n_z|, in equal bins from 0 (wall) to 1 (flat)."""

    area_share: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LostRegion:
    """What one bead width cannot lay in one layer: rings of (x, y) in mm."""

    bead_width_mm: float
    lost: tuple[tuple[tuple[float, float], ...], ...]
    filled: tuple[tuple[tuple[float, float], ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstLayer:
    """The layer where detail goes first, drawn: its outline and the regions lost by each bead width."""

    z_mm: float
    outline: tuple[tuple[tuple[float, float], ...], ...]
    regions: tuple[LostRegion, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GeometrySummary:
    """One part in one build orientation (z up). Only the extents and the volume are always there."""

    extent_x_mm: float
    extent_y_mm: float
    extent_z_mm: float
    volume_mm3: float
    area_mm2: float | None = None
    schema_version: str = SUMMARY_VERSION
    profile: SectionProfile | None = None
    curves: DetailCurves | None = None
    smallest: SmallestFeatures = SmallestFeatures()
    features: tuple[Feature, ...] = ()
    slopes: SlopeDistribution | None = None
    overhang_area_mm2: float | None = None
    longest_bridge_mm: float | None = None
    bodies: int | None = None
    watertight: bool | None = None
    mended: tuple[str, ...] = ()
    trust: Trust = Trust.FULL
    worst_layers: tuple[WorstLayer, ...] = ()
    notes: tuple[str, ...] = ()  # hints that changed nothing, and what the analysis left out or found only roughly
