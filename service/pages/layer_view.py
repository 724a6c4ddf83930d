"""The layer where each bore loses detail, with what its bead cannot lay and what it fills. Geometry only."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from workers.model.part import GeometrySummary, LostRegion, WorstLayer
from workers.model.routing import Candidate

PANELS = 4  # bores drawn
SIDE = 260.0
Ring = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerPanel:
    """One bore on one layer. Paths are SVG path data in the panel's units, y downwards.

    drawn_mm: bead width that the regions stand for, the widest known one not above the bore's own bead; None: no
    feature is lost. Areas in mm².
    """

    bore_mm: float
    bead_width_mm: float
    z_mm: float
    drawn_mm: float | None
    lost: int
    filled: int
    lost_mm2: float
    filled_mm2: float
    outline_path: str
    lost_path: str
    filled_path: str
    height: float


def layer_panels(summary: GeometrySummary | None, candidates: Sequence[Candidate]) -> tuple[LayerPanel, ...]:
    """One panel for each bore among the candidates, in their order; none where no layer is known."""
    if summary is None or not summary.worst_layers:
        return ()
    beads: dict[float, float] = {}
    for one in candidates:
        beads.setdefault(one.bore_mm, one.bead_width_mm)
    chosen = sorted(list(beads.items())[:PANELS])
    return tuple(_panel(bore, bead, *_worst(summary.worst_layers, bead)) for bore, bead in chosen)


def _worst(layers: Sequence[WorstLayer], bead_mm: float) -> tuple[WorstLayer, LostRegion | None]:
    """The layer in which that bead loses and fills most, with the region; the first layer where it loses nothing."""
    found = [(layer, region) for layer in layers for region in _within(layer, bead_mm)]
    if not found:
        return layers[0], None
    return max(found, key=lambda one: area_mm2(one[1].lost) + area_mm2(one[1].filled))


def _within(layer: WorstLayer, bead_mm: float) -> Iterator[LostRegion]:
    """The region of the widest bead known that is no wider than this one (a wider bead loses no less)."""
    narrower = [one for one in layer.regions if one.bead_width_mm <= bead_mm + 1e-9]
    if narrower:
        yield max(narrower, key=lambda one: one.bead_width_mm)


def _panel(bore_mm: float, bead_mm: float, layer: WorstLayer, region: LostRegion | None) -> LayerPanel:
    xs = [x for ring in layer.outline for x, _ in ring] or [0.0]
    ys = [y for ring in layer.outline for _, y in ring] or [0.0]
    scale = SIDE / max(max(xs) - min(xs), max(ys) - min(ys), 1e-6)

    def path(rings: Iterable[Ring]) -> str:
        return "".join(
            "M" + "L".join(f"{(x - min(xs)) * scale:.1f} {(max(ys) - y) * scale:.1f}" for x, y in ring) + "Z"
            for ring in rings
        )

    lost, filled = (region.lost, region.filled) if region else ((), ())
    return LayerPanel(
        bore_mm=bore_mm,
        bead_width_mm=bead_mm,
        z_mm=layer.z_mm,
        drawn_mm=region.bead_width_mm if region else None,
        lost=len(lost),
        filled=len(filled),
        lost_mm2=area_mm2(lost),
        filled_mm2=area_mm2(filled),
        outline_path=path(layer.outline),
        lost_path=path(lost),
        filled_path=path(filled),
        height=(max(ys) - min(ys)) * scale,
    )


def area_mm2(rings: Iterable[Ring]) -> float:
    """Area within rings (the shoelace formula); holes, which turn the other way, are taken off."""
    return abs(sum(_signed(ring) for ring in rings))


def _signed(ring: Ring) -> float:
    turned = [*ring[1:], *ring[:1]]
    return sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(ring, turned, strict=True)) / 2.0
