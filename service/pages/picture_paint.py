"""The colours of drawings that stand alone: those of the style sheet on light paper, as SVG attributes by class."""

from __future__ import annotations

from collections.abc import Mapping

# As :root in static/borewright.css.
PALETTE: Mapping[str, str] = {
    "paper": "#faf8f2",
    "sheet": "#f1eee4",
    "ink": "#1c2227",
    "soft": "#4c555c",
    "rule": "#80878c",
    "hair": "#cdcbc1",
    "bad": "#8c1d18",
    "bar": "#14495f",
    "bar-other": "#9dbac4",
    "bar-against": "#b4642a",
    "melt": "#14495f",
    "motion": "#5f9aae",
    "cooling": "#b9d3db",
    "travel": "#d9b384",
    "setup": "#a56a34",
}

Paint = dict[str, str]


def _fill(colour: str, **more: str) -> Paint:
    return {"fill": PALETTE[colour]} | {name.replace("_", "-"): value for name, value in more.items()}


def _stroke(colour: str, width: float, dashes: str = "", fill: str = "none") -> Paint:
    paint = {"fill": fill, "stroke": PALETTE[colour], "stroke-width": f"{width:g}"}
    return paint | ({"stroke-dasharray": dashes} if dashes else {})


TEXT: Paint = {"font-family": "sans-serif", "font-size": "13", "fill": PALETTE["ink"]}
TICK: Paint = {"font-family": "sans-serif", "font-size": "11", "fill": PALETTE["soft"]}

PAINT: Mapping[str, Paint] = {
    "bar-label": {},
    "bar-value": {},
    "row-label": {"font-size": "12"},
    "line": _stroke("bar", 2.5),
    "line-1": {},
    "line-2": _stroke("bar-against", 2.5, "7 4"),
    "line-3": _stroke("soft", 2.5, "2 4"),
    "bar-first": {"font-weight": "600"},
    "tick": {"font-size": "11", "fill": PALETTE["soft"]},
    "column": {"font-size": "11", "fill": PALETTE["soft"]},
    "axis": _stroke("ink", 1),
    "far": _stroke("hair", 1, "2 3"),
    "bar-chosen": _fill("bar"),
    "bar-other": _stroke("bar", 0.75, fill=PALETTE["bar-other"]),
    "bar-against": _fill("bar-against"),
    "band": _fill("sheet"),
    "limits": _fill("hair", opacity="0.5"),
    "limit": _stroke("ink", 1.5),
    "curve-chosen": _stroke("bar", 2, fill=PALETTE["bar-other"]) | {"fill-opacity": "0.7"},
    "curve-other": _stroke("bar-against", 2, "5 4"),
    "span": _stroke("bar", 2),
    "dot": _fill("bar"),
    "layer-part": _stroke("rule", 1, fill=PALETTE["sheet"]),
    "layer-lost": _stroke("bad", 1.5, fill=PALETTE["bad"]),
    "layer-filled": _stroke("bar", 1.5, "3 2", fill=PALETTE["bar-other"]),
    "pace-melt": _fill("melt"),
    "pace-motion": _fill("motion"),
    "pace-cooling": _fill("cooling"),
    "pace-travel": _fill("travel"),
    "pace-setup": _fill("setup"),
    "interval": _stroke("bar", 2),
    "believed": _fill("bar", fill_opacity="0.85"),
    "observed": _stroke("bar-against", 2, fill=PALETTE["paper"]),
    "prior": _stroke("ink", 1.5, "2 2"),
    "frame": _stroke("rule", 1, fill=PALETTE["sheet"]),
    "cal": _stroke("bar", 1.75, fill=PALETTE["paper"]),
    "cal-full": _fill("bar"),
    "cal-gone": _stroke("bad", 1.75),
    "cal-none": _stroke("rule", 1.25, "2 2.5"),
    "cal-barred": _stroke("rule", 1.5),
    "hangs-fresh": _fill("melt"),
    "hangs-ageing": _fill("motion"),
    "hangs-stale": _fill("travel"),
    "hangs-none": _fill("bar-against"),
    "run": _stroke("bar", 0.75, fill=PALETTE["bar-other"]),
    "run-moved": _stroke("bar", 0.75, fill=PALETTE["bar"]),
    "run-late": _stroke("bad", 2, fill=PALETTE["paper"]),
    "run-setup": _fill("setup"),
    "run-held": _stroke("rule", 1, fill=PALETTE["hair"]),
}
