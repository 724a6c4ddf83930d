"""The geometry summary as it is handed in. Ranges are engineering priors unless the model says them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from operator import le
from typing import Any

import marshmallow as ma

from service.api.fields import (
    Choice,
    Flag,
    ListOf,
    Note,
    Number,
    Numbers,
    Text,
    Vector,
    Whole,
    Wholes,
    all_in_range,
    refuse,
    require_list,
)
from service.api.schema import Record, RecordSchema
from workers.model.errors import FieldProblem
from workers.model.part import (
    SUMMARY_VERSION,
    Axis,
    DetailCurves,
    Feature,
    FeatureKind,
    GeometrySummary,
    LostRegion,
    SectionProfile,
    SlopeDistribution,
    SmallestFeatures,
    Trust,
    WorstLayer,
)

LONGEST_MM = 5000
SLABS = 1000
CURVE_POINTS = 256
ROUNDING = 1e-9  # of a fraction that was written as text
SHARE_OFF = 0.01  # how far shares may miss their sum, after rounding


class ProfileSchema(RecordSchema):
    makes = SectionProfile
    z_mm = Numbers(0, LONGEST_MM, "mm", most=SLABS, rising=True, description="Mid-heights of the slabs, rising")
    dz_mm = Numbers(0.001, LONGEST_MM, "mm", most=SLABS, description="Thicknesses, summing to the height")
    area_mm2 = Numbers(0, LONGEST_MM**2, "mm2", most=SLABS, description="Area of material")
    perimeter_mm = Numbers(0, 1e7, "mm", most=SLABS, description="Length of all outlines")
    islands = Wholes(0, 100_000, most=SLABS, description="Separate outlines")

    def rules(self, record: Any) -> list[FieldProblem]:
        return unequal_lengths(record, "z_mm", ("dz_mm", "area_mm2", "perimeter_mm", "islands"))


class CurvesSchema(RecordSchema):
    makes = DetailCurves
    bead_width_mm = Numbers(0.1, 2, "mm", least=16, most=CURVE_POINTS, rising=True)
    feature_loss = Numbers(0, 1, least=16, most=CURVE_POINTS)
    corner_loss = Numbers(0, 1, least=16, most=CURVE_POINTS)
    feature_gain = Numbers(0, 1, least=16, most=CURVE_POINTS)
    corner_gain = Numbers(0, 1, least=16, most=CURVE_POINTS)

    def rules(self, record: Any) -> list[FieldProblem]:
        names = ("feature_loss", "corner_loss", "feature_gain", "corner_gain")
        problems = unequal_lengths(record, "bead_width_mm", names)
        for name in names:
            if falls(getattr(record, name)):
                problems.append(FieldProblem(f"/{name}", "it falls with the bead width", "never falling"))
        return problems


class SmallestSchema(RecordSchema):
    makes = SmallestFeatures
    rib_mm = Number(0.01, LONGEST_MM, "mm")
    slot_mm = Number(0.01, LONGEST_MM, "mm")
    stroke_mm = Number(0.01, LONGEST_MM, "mm")
    corner_radius_mm = Number(0, LONGEST_MM, "mm")
    rib_at_mm = Vector()
    slot_at_mm = Vector()


class FeatureSchema(RecordSchema):
    makes = Feature
    name = Text(80)
    kind = Choice(FeatureKind)
    nominal_mm = Number(0.01, LONGEST_MM, "mm", description="Diameter, or width; through the vertices if faceted")
    axis = Choice(Axis)
    depth_mm = Number(0, LONGEST_MM, "mm")
    through = Flag()
    facets = Whole(3, 100_000)
    across_flats_mm = Number(0.01, LONGEST_MM, "mm")
    at_mm = Vector()
    direction = Vector(-1, 1, "")


class SlopesSchema(RecordSchema):
    makes = SlopeDistribution
    area_share = Numbers(0, 1, most=200, description="By |n_z| in equal bins from wall to flat; sums to 1")

    def rules(self, record: Any) -> list[FieldProblem]:
        total = math.fsum(record.area_share)
        if abs(total - 1) > SHARE_OFF:
            return [FieldProblem("/area_share", f"the shares sum to {total:.4g}", "a sum of 1")]
        return []


class Rings(ma.fields.List[Any]):
    """Closed outlines: arrays of (x, y) in mm."""

    RINGS, POINTS = 2000, 5000

    def __init__(self, **options: Any) -> None:
        point = ma.fields.List(ma.fields.Float(validate=ma.validate.Range(-LONGEST_MM, LONGEST_MM)), validate=_PAIR)
        ring = ma.fields.List(point, validate=ma.validate.Length(0, self.POINTS))
        super().__init__(ring, validate=ma.validate.Length(0, self.RINGS), **options)

    def take(self, value: Any) -> tuple[Any, ...]:
        require_list(value, 0, self.RINGS)
        for ring in value:
            require_list(ring, 0, self.POINTS)
        return tuple(tuple(_point(point) for point in ring) for ring in value)


_PAIR = ma.validate.Length(equal=2)


def _point(value: Any) -> tuple[float, float]:
    require_list(value, 2, 2)
    if not all_in_range(value, -LONGEST_MM, LONGEST_MM):
        raise refuse("a point is not two numbers in range", f"-{LONGEST_MM} to {LONGEST_MM} mm, twice")
    return float(value[0]), float(value[1])


class LostRegionSchema(RecordSchema):
    makes = LostRegion
    bead_width_mm = Number(0.05, 5, "mm")
    lost = Rings()
    filled = Rings()


class WorstLayerSchema(RecordSchema):
    makes = WorstLayer
    z_mm = Number(-LONGEST_MM, LONGEST_MM, "mm")
    outline = Rings()
    regions = ListOf(Record(LostRegionSchema), most=64)


class SummarySchema(RecordSchema):
    """A part in one build orientation, z up. Only the extents and the volume must be given."""

    makes = GeometrySummary
    extent_x_mm = Number(0.1, LONGEST_MM, "mm")
    extent_y_mm = Number(0.1, LONGEST_MM, "mm")
    extent_z_mm = Number(0.05, LONGEST_MM, "mm")
    volume_mm3 = Number(0.001, LONGEST_MM**3, "mm3")
    area_mm2 = Number(0, 1e9, "mm2", description="Surface area")
    schema_version = Text(1, f"^{SUMMARY_VERSION}$", SUMMARY_VERSION)
    profile = Record(ProfileSchema)
    curves = Record(CurvesSchema)
    smallest = Record(SmallestSchema)
    features = ListOf(Record(FeatureSchema), most=1000)
    slopes = Record(SlopesSchema)
    overhang_area_mm2 = Number(0, 1e9, "mm2")
    longest_bridge_mm = Number(0, LONGEST_MM, "mm")
    bodies = Whole(0, 100_000)
    watertight = Flag()
    mended = ListOf(Note(200), most=50, description="What was mended in the mesh")
    trust = Choice(Trust)
    worst_layers = ListOf(Record(WorstLayerSchema), most=16)
    notes = ListOf(
        Note(200),
        most=50,
        description="Hints, as that the unit looks wrong, and what the analysis left out or found only roughly",
    )

    def rules(self, record: Any) -> list[FieldProblem]:
        return [*_volume_problems(record), *_height_problems(record), *_repeated_names(record.features)]


def falls(values: Sequence[float]) -> bool:
    """Whether any value is lower than the one before it, rounding aside."""
    if all(map(le, values, values[1:])):
        return False
    return any(later < earlier - ROUNDING for earlier, later in pairwise(values))


def unequal_lengths(record: Any, first: str, others: Sequence[str]) -> list[FieldProblem]:
    """Arrays that are not as long as ``first``."""
    wanted = len(getattr(record, first))
    return [
        FieldProblem(f"/{name}", f"it has {len(getattr(record, name))} elements", f"{wanted}, as {first} has")
        for name in others
        if len(getattr(record, name)) != wanted
    ]


def _volume_problems(record: GeometrySummary) -> list[FieldProblem]:
    """A part is no larger than the box around it (a thousandth is left for rounding)."""
    box = record.extent_x_mm * record.extent_y_mm * record.extent_z_mm
    if record.volume_mm3 <= box * 1.001:
        return []
    return [FieldProblem("/volume_mm3", "it is more than the box of the extents holds", f"up to {box:.6g} mm3")]


def _height_problems(record: GeometrySummary) -> list[FieldProblem]:
    """The slabs make up the height, within a hundredth."""
    if record.profile is None:
        return []
    height = math.fsum(record.profile.dz_mm)
    if abs(height - record.extent_z_mm) <= SHARE_OFF * record.extent_z_mm:
        return []
    allowed = f"a sum of {record.extent_z_mm:g} mm (extent_z_mm)"
    return [FieldProblem("/profile/dz_mm", f"the slabs sum to {height:.6g} mm", allowed)]


def _repeated_names(features: Sequence[Feature]) -> list[FieldProblem]:
    """Tolerances name features, so each name may stand once."""
    seen: set[str] = set()
    problems = []
    for index, feature in enumerate(features):
        if feature.name in seen:
            problems.append(FieldProblem(f"/features/{index}/name", f"{feature.name!r} is there twice", "a new name"))
        seen.add(feature.name)
    return problems
