"""The worst layer as a drawing: the outline, and for each bead width what is lost and what is filled."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from workers.model.part import GeometrySummary, LostRegion, WorstLayer

_PANEL, _GAP, _HEAD = 260.0, 24.0, 46.0
_LEAST = 440.0  # width that the heading needs
_MOST_PANELS = 8
_STYLE = (
    "text{font:14px system-ui,sans-serif;fill:#222}.small{font-size:12px;fill:#555}"
    ".part{fill:#d9dde3;stroke:#5b6470;stroke-width:1;vector-effect:non-scaling-stroke}"
    ".lost{fill:#b3261e;stroke:#b3261e;stroke-width:1.5;vector-effect:non-scaling-stroke}"
    ".filled{fill:#1f5fbf;stroke:#1f5fbf;stroke-width:1.5;vector-effect:non-scaling-stroke}"
)


def worst_layer_svg(summary: GeometrySummary, layer: int = 0) -> str:
    """An SVG 1.1 document with one panel a bead width; a plain sentence when no layer is known.

    layer counts the summary's worst layers. Lost regions are red, filled ones blue, and each panel says both in
    words too, so that colour carries nothing alone.
    """
    if layer >= len(summary.worst_layers):
        return _document(
            420, 60, "No layer", "The summary holds no layer outlines.", [_text(16, 36, "No layer to draw.")]
        )
    worst = summary.worst_layers[layer]
    regions = worst.regions[:_MOST_PANELS] or (LostRegion(bead_width_mm=0.0, lost=()),)
    columns = min(len(regions), 4)
    rows = -(-len(regions) // columns)
    body = [_text(_GAP, 28, f"Layer at z = {worst.z_mm:g} mm: what each bead width loses and fills")]
    for i, region in enumerate(regions):
        x = _GAP + (i % columns) * (_PANEL + _GAP)
        y = _HEAD + (i // columns) * (_PANEL + _HEAD)
        body.append(_panel(worst, region, x, y))
    width, height = max(_LEAST, _GAP + columns * (_PANEL + _GAP)), _HEAD + rows * (_PANEL + _HEAD) + _GAP
    return _document(width, height, f"Layer at z = {worst.z_mm:g} mm", _said(worst), body)


def _said(worst: WorstLayer) -> str:
    if not worst.regions:
        return "No bead up to 1.25 mm wide loses a feature of this layer; only corners are rounded."
    return " ".join(_label(region) + "." for region in worst.regions)


def _label(region: LostRegion) -> str:
    if not region.bead_width_mm:
        return "No feature lost; corners only"
    return f"Bead {region.bead_width_mm:g} mm: {len(region.lost)} lost, {len(region.filled)} filled"


def _panel(worst: WorstLayer, region: LostRegion, x: float, y: float) -> str:
    x0, y0, x1, y1 = _box(worst.outline)
    scale = _PANEL / max(x1 - x0, y1 - y0, 1e-6)
    place = f"translate({x:.2f} {y + _PANEL:.2f}) scale({scale:.6g} {-scale:.6g}) translate({-x0:.4f} {-y0:.4f})"
    shapes = [_shape("part", worst.outline), _shape("lost", region.lost), _shape("filled", region.filled)]
    label = _text(x, y + _PANEL + 20, _label(region), "small")
    return f'<g><g transform="{place}">{"".join(shapes)}</g>{label}</g>'


def _box(rings: Sequence[Sequence[tuple[float, float]]]) -> tuple[float, float, float, float]:
    xs = [x for ring in rings for x, _ in ring] or [0.0]
    ys = [y for ring in rings for _, y in ring] or [0.0]
    return min(xs), min(ys), max(xs), max(ys)


def _shape(kind: str, rings: Iterable[Iterable[tuple[float, float]]]) -> str:
    path = "".join("M" + "L".join(f"{x:g} {y:g}" for x, y in ring) + "Z" for ring in rings)
    return f'<path class="{kind}" fill-rule="evenodd" d="{path}"/>' if path else ""


def _text(x: float, y: float, words: str, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f'<text x="{x:.1f}" y="{y:.1f}"{named}>{escape(words)}</text>'


def _document(width: float, height: float, title: str, said: str, body: list[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
        f'height="{height:.0f}" role="img" aria-labelledby="layer-title layer-words">'
        f'<title id="layer-title">{escape(title)}</title><desc id="layer-words">{escape(said)}</desc>'
        f'<style>{_STYLE}</style><rect width="100%" height="100%" fill="#fff"/>{"".join(body)}</svg>'
    )
