"""What is kept of outcomes: whole-number sums a key. They add up in any order and cancel to the last bit.

Two pairings are neighbours when they share bore and material: the bore is in the key, so that evidence of a
nozzle that has left the shop still counts for the ones like it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

from workers.model.part import Axis, FeatureKind


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceKey:
    """What the sums are about: a pairing as a whole (kind and axis None), or one kind of size on it."""

    machine_id: str
    nozzle_id: str
    material_id: str
    bore_um: int
    kind: FeatureKind | None = None
    axis: Axis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupKey:
    """What neighbouring pairings share."""

    material_id: str
    bore_um: int
    kind: FeatureKind | None = None
    axis: Axis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """Additive, all whole numbers; negative ones take back what was added.

    prints: copies with a verdict; scrapped: of them, for a reason other than a clog or a size;
    clogs, volume_ul: clogs and microlitres (mm^3) extruded;
    timed, ln_time_ppm, ln_time_ppm2: prints timed, sum of ln(actual / physics) in millionths, and of its square;
    sized, size_100nm, size_100nm2: sizes measured, sum of (measured - prior mean) in tenths of a micrometre,
    and of its square.
    """

    prints: int = 0
    scrapped: int = 0
    clogs: int = 0
    volume_ul: int = 0
    timed: int = 0
    ln_time_ppm: int = 0
    ln_time_ppm2: int = 0
    sized: int = 0
    size_100nm: int = 0
    size_100nm2: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    key: EvidenceKey
    sums: Sums


Delta = tuple[EvidenceKey, Sums]

SUM_FIELDS = tuple(one.name for one in fields(Sums))
NOTHING = Sums()


def plus(one: Sums, other: Sums) -> Sums:
    return Sums(**{name: getattr(one, name) + getattr(other, name) for name in SUM_FIELDS})


def negative(sums: Sums) -> Sums:
    return Sums(**{name: -getattr(sums, name) for name in SUM_FIELDS})


def merged(evidence: Iterable[Evidence], deltas: Iterable[Delta]) -> tuple[Evidence, ...]:
    """The evidence with the deltas added, in the order of the keys; sums of nothing are left out."""
    total = {one.key: one.sums for one in evidence}
    for key, sums in deltas:
        total[key] = plus(total.get(key, NOTHING), sums)
    kept = (Evidence(key=key, sums=sums) for key, sums in total.items() if sums != NOTHING)
    return tuple(sorted(kept, key=lambda one: sort_key(one.key)))


def grouped(evidence: Iterable[Evidence]) -> dict[GroupKey, Sums]:
    """The sums of each group of neighbours, for reading."""
    total: dict[GroupKey, Sums] = {}
    for one in evidence:
        group = group_of(one.key)
        total[group] = plus(total.get(group, NOTHING), one.sums)
    return total


def group_of(key: EvidenceKey) -> GroupKey:
    return GroupKey(material_id=key.material_id, bore_um=key.bore_um, kind=key.kind, axis=key.axis)


def sort_key(key: EvidenceKey) -> tuple[str, str, str, int, str, str]:
    return key.machine_id, key.nozzle_id, key.material_id, key.bore_um, key.kind or "", key.axis or ""


def bore_um(bore_mm: float) -> int:
    """The bore in whole micrometres, as keys carry it."""
    return round(bore_mm * 1000.0)
