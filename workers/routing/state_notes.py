"""What a routing says of the state of its pairing: calibration, wear of the tip, moisture of the spool."""

from __future__ import annotations

from collections.abc import Iterator

from workers.process.moisture import clog_factor
from workers.process.wear import WARN_SHARE, bore_growth_mm, life_cm3
from workers.routing.pairing import Pairing


def state_notes(pairing: Pairing) -> Iterator[str]:
    yield from _calibration_notes(pairing)
    yield from _wear_notes(pairing)
    yield from _moisture_notes(pairing)


def _calibration_notes(pairing: Pairing) -> Iterator[str]:
    if pairing.calibration is None:
        yield (
            "This machine, nozzle and material are not calibrated together: sizes and flow rest on engineering priors."
        )
        return
    standing = pairing.standing
    if standing.stale:
        yield (
            f"The calibration counts for {standing.weight:.0%} of a fresh one, for {', '.join(standing.causes)}: "
            "measure again."
        )
    elif standing.causes:
        yield f"The calibration counts for {standing.weight:.0%} of a fresh one: {', '.join(standing.causes)}."


def _wear_notes(pairing: Pairing) -> Iterator[str]:
    nozzle, worn = pairing.nozzle, pairing.worn_share
    if worn >= WARN_SHARE:
        growth_um = bore_growth_mm(nozzle.tip, nozzle.abrasive_cm3) * 1000.0
        yield (
            f"Nozzle {nozzle.name} nears the end of its life: {nozzle.abrasive_cm3:.0f} of "
            f"{life_cm3(nozzle.tip):.0f} cm³ of abrasive filament, its bore about {growth_um:.0f} µm wider "
            "(engineering prior). Have another ready."
        )


def _moisture_notes(pairing: Pairing) -> Iterator[str]:
    material, limit, hours = pairing.material, pairing.material.moisture_limit_h, pairing.open_h
    if limit is None:
        return
    said = f"{material.name} should be out of dry storage no longer than {limit:.0f} h"
    factor = clog_factor(hours, limit)
    if hours is None:
        yield f"{said}; when its spool was last dried is not known.{_drying(pairing, 'when in doubt')}"
    elif factor > 1.0:
        yield (
            f"{said}, and its spool was dried {hours:.0f} h ago: unless it was kept in sealed dry storage, it clogs "
            f"more often (rate taken {factor:.1f} times higher) and strings.{_drying(pairing, 'first')}"
        )
    else:
        yield f"{said}; its spool was dried {hours:.0f} h ago.{_drying(pairing, 'when in doubt')}"


def _drying(pairing: Pairing, when: str) -> str:
    material = pairing.material
    if material.drying_temp_c is None or material.drying_h is None:
        return ""
    return f" Dry at {material.drying_temp_c:.0f} °C for {material.drying_h:.0f} h {when}."
