"""What was ruled out, as rows: whose figure it is, the gate, what was needed and what there is. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.pages.names import Names
from workers.model.routing import Refusal
from workers.routing.explain import GATE_WORDS


@dataclass(frozen=True, slots=True)
class RefusalRow:
    subject: str
    gate: str
    needed: str
    available: str
    pairings: int


def refusal_rows(refused: Iterable[Refusal], names: Names) -> tuple[RefusalRow, ...]:
    return tuple(_row(one, names) for one in refused)


def _row(one: Refusal, names: Names) -> RefusalRow:
    subject = " with ".join(names[i] for i in (one.machine_id, one.nozzle_id, one.material_id) if i is not None)
    words = GATE_WORDS[one.gate]
    gate = f"{words[:1].upper()}{words[1:]}{f' ({one.detail})' if one.detail else ''}"
    return RefusalRow(
        subject or "All", gate, _figure(one.needed, one.unit), _figure(one.available, one.unit), one.pairings
    )


def _figure(value: float | str, unit: str) -> str:
    return value if isinstance(value, str) else f"{value:g} {unit}".strip()
