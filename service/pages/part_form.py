"""The form for a job on an analysed part: fits by its features, from text fields to the body of ``POST /v1/jobs``.

Row ``i`` belongs to feature ``i`` of the part, so that a row needs no name, kind or size. Pure; no HTTP.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.pages import intake
from service.pages.wording import number
from workers.model.errors import FieldProblem
from workers.model.part import Axis, Feature, FeatureKind, GeometrySummary

MOST_FEATURES = 40  # rows on the page; the REST interface takes all (engineering prior: what one still scrolls through)
KIND_WORDS: Mapping[FeatureKind, str] = {
    FeatureKind.HOLE: "round hole",
    FeatureKind.BOSS: "round boss",
    FeatureKind.FLAT_HOLE: "flat-sided hole",
    FeatureKind.SLOT: "slot",
    FeatureKind.RIB: "rib",
    FeatureKind.LENGTH: "outside length",
}
SIZE_WORDS: Mapping[FeatureKind, str] = {
    FeatureKind.HOLE: "diameter",
    FeatureKind.BOSS: "diameter",
    FeatureKind.FLAT_HOLE: "across flats",
    FeatureKind.SLOT: "wide",
    FeatureKind.RIB: "thick",
    FeatureKind.LENGTH: "long",
}
AXIS_WORDS: Mapping[Axis, str] = {
    Axis.VERTICAL: "upright",
    Axis.HORIZONTAL: "lying",
    Axis.INCLINED: "inclined",
}
FIELDS: Mapping[str, str] = {
    "iso286": "class",
    "limits.lower_mm": "lower limit",
    "limits.upper_mm": "upper limit",
    "mating.mate_mm": "meets a part of",
    "mating.clearance_min_mm": "clearance from",
    "mating.clearance_max_mm": "clearance to",
}


@dataclass(frozen=True, slots=True)
class FeatureRow:
    """One feature as it is listed: its number on the page, words, and the figures that a drawing needs.

    Lengths in mm; at and direction "x y z", empty where the feature has no place.
    """

    index: int
    name: str
    words: str
    inside: bool
    size: float
    depth: float
    at: str
    direction: str


def feature_rows(summary: GeometrySummary) -> tuple[FeatureRow, ...]:
    return tuple(_row(i, feature) for i, feature in enumerate(summary.features[:MOST_FEATURES]))


def _row(index: int, one: Feature) -> FeatureRow:
    return FeatureRow(
        index=index,
        name=one.name,
        words=_words(one),
        inside=one.kind in {FeatureKind.HOLE, FeatureKind.FLAT_HOLE, FeatureKind.SLOT},
        size=one.nominal_mm,
        depth=one.depth_mm or 0.0,
        at=_triple(one.at_mm) if one.kind is not FeatureKind.LENGTH else "",
        direction=_triple(one.direction),
    )


def _triple(value: tuple[float, float, float] | None) -> str:
    return "" if value is None else " ".join(f"{v:g}" for v in value)


def _words(one: Feature) -> str:
    """As ``round hole, 6 mm diameter, 8 mm deep, through, upright, at x 20, y 20, z 4``."""
    said = [KIND_WORDS[one.kind], f"{number(one.nominal_mm, 3)} mm {SIZE_WORDS[one.kind]}"]
    if one.depth_mm is not None:
        reach = "high" if one.kind in {FeatureKind.BOSS, FeatureKind.RIB} else "deep"
        said.append(f"{number(one.depth_mm)} mm {reach}")
    if one.through:
        said.append("through")
    if one.kind is FeatureKind.LENGTH:
        return f"{said[0]} along {one.name[-1]}, {number(one.nominal_mm, 3)} mm"
    said.append(AXIS_WORDS[one.axis])
    if one.at_mm is not None:
        said.append("at " + ", ".join(f"{axis} {number(v, 1)}" for axis, v in zip("xyz", one.at_mm, strict=True)))
    return ", ".join(said)


def known_details(summary: GeometrySummary) -> list[tuple[str, str, float]]:
    """The finest details that the analysis found, as (field, words, mm)."""
    found = [(name, words, getattr(summary.smallest, name)) for name, _, words in intake.DETAILS]
    return [(name, words, size) for name, words, size in found if size is not None]


def labels_of(rows: Sequence[FeatureRow]) -> dict[str, str]:
    """The form's fields in words."""
    shared = {key: words for key, words in intake.LABELS.items() if not key.startswith(("summary.", "tolerances."))}
    fits = {
        f"tolerances.{row.index}.{field}": f"{row.index + 1}, {row.name}, {words}"
        for row in rows
        for field, words in FIELDS.items()
    }
    return shared | fits


def body_of(form: Mapping[str, str], ticked: Sequence[str], part_id: str, summary: GeometrySummary) -> dict[str, Any]:
    """The request body; what is typed for a feature goes out under the feature's name."""
    body = intake.body_of(_with_details(form, summary), ticked)
    rows = [(i, intake.tolerance_of(form, i)) for i in filled_rows(form, summary)]
    needs = [{**_typed(need), "name": summary.features[i].name} for i, need in rows]
    rest = {key: value for key, value in body.items() if key not in {"summary", "tolerances"}}
    return {"part_id": part_id, **rest, **({"tolerances": needs} if needs else {})}


def _typed(need: Mapping[str, Any]) -> dict[str, Any]:
    """Without what the feature itself says."""
    return {key: value for key, value in need.items() if key not in {"kind", "nominal_mm"}}


def _with_details(form: Mapping[str, str], summary: GeometrySummary) -> dict[str, str]:
    """The form with the sizes of the finest details, which are found and not typed."""
    sizes = {f"summary.smallest.{name}": f"{size:.4f}" for name, _, size in known_details(summary)}
    return {**form, **sizes}


def filled_rows(form: Mapping[str, str], summary: GeometrySummary) -> list[int]:
    """Which features were given a fit."""
    shown = range(min(len(summary.features), MOST_FEATURES))
    return [i for i in shown if any(form.get(f"tolerances.{i}.{field}", "").strip() for field in FIELDS)]


def problems_of(
    fields: Sequence[FieldProblem], form: Mapping[str, str], summary: GeometrySummary
) -> list[intake.Problem]:
    """The problems beside their fields."""
    return intake.problems_of(fields, filled_rows(form, summary), (), labels_of(feature_rows(summary)))
