"""How large a mesh may be, and in what unit its numbers stand."""

from __future__ import annotations

from dataclasses import dataclass

MIB = 1024 * 1024

# 3MF (ISO/IEC 25422:2025) names the same six units; the factors are exact (inch = 25.4 mm, ISO 1).
UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "foot": 304.8, "micron": 0.001}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeshLimits:
    """Bounds on what is read and on what an analysis may take. Engineering priors, measured as workable.

    largest_mm and smallest_mm bound the longest side after the unit is applied: outside them the unit is
    wrong or the file is broken.
    """

    upload_bytes: int = 64 * MIB
    unpacked_bytes: int = 200 * MIB
    package_parts: int = 1_000
    triangles: int = 1_000_000
    instances: int = 10_000
    nesting: int = 64
    largest_mm: float = 10_000.0
    smallest_mm: float = 0.01
    seconds: float = 60.0
    memory_bytes: int = 3 * 1024 * MIB
