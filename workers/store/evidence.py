"""Evidence in Redis: one hash of whole numbers. HINCRBY adds, so concurrent outcomes commute and none is lost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache

from redis.client import Pipeline

from workers.model.evidence import NOTHING, SUM_FIELDS, Delta, Evidence, EvidenceKey, Sums, sort_key
from workers.model.part import Axis, FeatureKind
from workers.store.keys import Keys

_SEPARATOR = "/"  # no identifier of a thing holds one


def add_evidence(pipe: Pipeline, keys: Keys, deltas: Iterable[Delta]) -> None:
    """Queue the sums inside the caller's MULTI, and the revision: tables made without them are old then."""
    changed = False
    for key, sums in deltas:
        for name in SUM_FIELDS:
            if amount := getattr(sums, name):
                pipe.hincrby(keys.evidence, f"{text_of(key)}{_SEPARATOR}{name}", amount)
                changed = True
    if changed:
        pipe.incr(keys.revision)


def evidence_of(rows: Mapping[bytes, bytes]) -> tuple[Evidence, ...]:
    """The hash as evidence, in the order of the keys. What was taken back to nothing is left out."""
    found: dict[str, dict[str, int]] = {}
    for field, amount in rows.items():
        text, _, name = field.decode().rpartition(_SEPARATOR)
        found.setdefault(text, {})[name] = int(amount)
    evidence = (Evidence(key=key_of(text), sums=Sums(**sums)) for text, sums in found.items())
    return tuple(sorted((one for one in evidence if one.sums != NOTHING), key=lambda one: sort_key(one.key)))


def text_of(key: EvidenceKey) -> str:
    of_size = (key.kind or "", key.axis or "")
    return _SEPARATOR.join((key.machine_id, key.nozzle_id, key.material_id, str(key.bore_um), *of_size))


@lru_cache(maxsize=50_000)
def key_of(text: str) -> EvidenceKey:
    """The key that ``text_of`` wrote. Raises ValueError on any other text."""
    machine_id, nozzle_id, material_id, bore_um, kind, axis = text.split(_SEPARATOR)
    return EvidenceKey(
        machine_id=machine_id,
        nozzle_id=nozzle_id,
        material_id=material_id,
        bore_um=int(bore_um),
        kind=FeatureKind(kind) if kind else None,
        axis=Axis(axis) if axis else None,
    )
