"""Cautions and notes that go with a routing. They inform; local codes and licensed practice decide.

Sources: Azimi et al. 2016 (styrene, caprolactam rates); Stephens et al. 2013 (ultrafine particles);
NIOSH publication 2020-115 (filaments with metal, nano or carbon-fibre additives); capture by a partial cover
28.6 % against 99.8 % for a full filtered enclosure (seen in the reference collection).
"""

from __future__ import annotations

from workers.model.fleet import Caution
from workers.model.job import JobSpec
from workers.model.routing import Candidate
from workers.process.detail import lost_features, mean_cusp_mm, roughness_um
from workers.process.strength import HEIGHT_TO_BORE_LOAD_MAX, layer_ratio
from workers.routing.gates import is_fibre_filled
from workers.routing.pairing import Pairing
from workers.routing.state_notes import state_notes

HOT = (
    "Hot parts: the nozzle runs at up to {nozzle:.0f} °C and the bed at {bed:.0f} °C; let both cool, "
    "or wear heat-proof gloves, before reaching in."
)
BY_MATERIAL = {
    Caution.STYRENE: (
        "Gives off styrene while printing, and the part goes on doing so afterwards: print in a full, filtered "
        "enclosure or under extraction, and keep within the local workplace limits."
    ),
    Caution.CAPROLACTAM: (
        "Gives off caprolactam while printing: print in a full, filtered enclosure or under extraction, and keep "
        "within the local workplace limits."
    ),
    Caution.FIBRE_DUST: (
        "Fibre-filled: broken edges shed fibres and sanding makes respirable dust. Wear gloves, sand wet, use a "
        "suitable respirator and extraction as local rules ask."
    ),
    Caution.ULTRAFINE: (
        "Gives off ultrafine particles: a partial cover is no control, a full filtered enclosure or extraction is."
    ),
    Caution.METAL_DUST: (
        "Metal-filled: avoid dust when cutting or sanding, and follow the supplier's safety data sheet."
    ),
}
OPEN_MACHINE = "{machine} has no full enclosure with filtered exhaust: see to ventilation before this prints."
LOAD = (
    "Load-bearing: printed parts are weakest between layers and differ from print to print. Nothing here states a "
    "strength; have it proved by test and signed off by a qualified person under the codes that apply."
)
FOOD = (
    "Food contact: layer grooves hold residue, and pigments, additives and the nozzle's alloy may not be permitted. "
    "Only materials and processes declared for food contact under local law may be used."
)
MAINS = (
    "Mains-powered: insulation, flame rating, creepage and enclosure rules apply; a licensed electrician or the "
    "responsible test house decides, not this routing."
)


def cautions_for(spec: JobSpec, pairing: Pairing) -> tuple[str, ...]:
    """The cautions of the material, of the machine and of the part's use, most specific first."""
    found = [BY_MATERIAL[c] for c in pairing.material.cautions]
    if pairing.material.cautions and not (pairing.machine.enclosed and pairing.machine.filtered):
        found.append(OPEN_MACHINE.format(machine=pairing.machine.name))
    if spec.use.load_bearing:
        found.append(LOAD)
    if spec.use.food_contact:
        found.append(FOOD)
    if spec.use.mains_powered:
        found.append(MAINS)
    found.append(HOT.format(nozzle=pairing.material.nozzle_temp_max_c, bed=pairing.material.bed_temp_c))
    return tuple(found)


def notes_for(spec: JobSpec, pairing: Pairing, chosen: Candidate) -> tuple[str, ...]:
    """What the scores do not hold: lost details by name, surface, strength, stringing, moisture."""
    width, height = chosen.bead_width_mm, chosen.layer_height_mm
    notes = [_lost_note(spec, width)]
    notes.append(_surface_note(spec, height))
    notes.append(_strength_note(height, pairing.nozzle.bore_mm))
    notes.extend(state_notes(pairing))
    if is_fibre_filled(pairing.material):
        notes.append("Fibres lie along the bead, so size and strength differ along and across it.")
    if pairing.material.polymer.upper().startswith("PA"):
        notes.append("Polyamide swells by 0.5 to 1.5 % as it takes up moisture: fits change after printing.")
    return tuple(note for note in notes if note)


def _lost_note(spec: JobSpec, width_mm: float) -> str:
    lost = lost_features(spec.part(), width_mm)
    if not lost:
        return ""
    names = ", ".join(f"{one.name} ({one.size_mm:.2f} mm)" for one in lost[:4])
    return f"A bead of {width_mm:.2f} mm does not lay: {names}{' and more' if len(lost) > 4 else ''}."


def _surface_note(spec: JobSpec, height_mm: float) -> str:
    slopes = spec.part().slopes
    if slopes is None:
        return ""
    cusp = float(mean_cusp_mm(height_mm, slopes))
    return (
        f"Layer steps average {cusp * 1000:.0f} µm over the surface (Ra about {float(roughness_um(cusp)):.0f} µm); "
        "stringing and top-surface finish are not predicted."
    )


def _strength_note(height_mm: float, bore_mm: float) -> str:
    ratio = float(layer_ratio(height_mm, bore_mm))
    verdict = "sound" if ratio <= HEIGHT_TO_BORE_LOAD_MAX + 1e-9 else "weaker"
    return (
        f"Strength is not a score: between layers it follows layer height over bore, here {ratio:.2f} ({verdict}), "
        "hardly the bore itself."
    )
