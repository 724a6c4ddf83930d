"""Parts and candidates for the tests of the process models."""

from __future__ import annotations

import math

import numpy as np

from workers.model.part import GeometrySummary, SectionProfile
from workers.process.fit import FitParameters
from workers.process.motion import MotionTable, motion_table
from workers.process.slabs import SlabBatch, compress_profiles


def prism(x_mm: float, y_mm: float, z_mm: float) -> GeometrySummary:
    """A solid block, without a profile."""
    return GeometrySummary(extent_x_mm=x_mm, extent_y_mm=y_mm, extent_z_mm=z_mm, volume_mm3=x_mm * y_mm * z_mm)


def of_sections(dz_mm: np.ndarray, area_mm2: np.ndarray, perimeter_mm: np.ndarray, islands: int = 1) -> GeometrySummary:
    """A part from its sections."""
    side = math.sqrt(float(area_mm2.max()))
    height = float(dz_mm.sum())
    profile = SectionProfile(
        z_mm=tuple(np.cumsum(dz_mm) - dz_mm / 2),
        dz_mm=tuple(dz_mm),
        area_mm2=tuple(area_mm2),
        perimeter_mm=tuple(perimeter_mm),
        islands=(islands,) * len(dz_mm),
    )
    return GeometrySummary(
        extent_x_mm=side, extent_y_mm=side, extent_z_mm=height, volume_mm3=float(area_mm2 @ dz_mm), profile=profile
    )


def round_part(radius_mm: np.ndarray, height_mm: float) -> GeometrySummary:
    """A turned part of that radius over height."""
    dz = np.full(len(radius_mm), height_mm / len(radius_mm))
    return of_sections(dz, math.pi * radius_mm**2, 2 * math.pi * radius_mm)


def one_pairing(
    width_mm: float,
    height_mm: float,
    *,
    ceiling: float = 15.0,
    speed: float = 120.0,
    acceleration: float = 3000.0,
    travel: float = 200.0,
    layer_min: float = 6.0,
) -> MotionTable:
    """One pairing with one bead."""
    bead = np.array([[width_mm]]), np.array([[height_mm]])
    limits = (np.array([value]) for value in (ceiling, speed, acceleration, travel, layer_min))
    return motion_table(*bead, *limits)


def uncalibrated(bores_mm: list[float], *, width_share: float = 1.0, shrinkage_percent: float = 0.2) -> FitParameters:
    """One fit class a bore, nothing measured."""
    bores, nothing = np.array(bores_mm), np.full(len(bores_mm), np.nan)
    return FitParameters(
        bore_mm=bores,
        bead_width_mm=bores * width_share,
        shrinkage_percent=np.full(len(bores), shrinkage_percent),
        hole_allowance_mm=nothing,
        boss_allowance_mm=nothing,
        size_sd_mm=nothing,
        measured=np.zeros(len(bores)),
    )


def slabs_of(part: GeometrySummary, shells: float, infill: float) -> SlabBatch:
    """One part, compressed."""
    return compress_profiles([part], np.array([float(shells)]), np.array([infill]))
