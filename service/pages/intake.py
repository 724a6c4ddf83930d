"""The intake form: from its text fields to the body of ``POST /v1/jobs``, and problems back to their fields.

A field is named after its place in that body, with dots (``summary.extent_x_mm``), so a problem's JSON
Pointer leads straight back to the field. Pure; no HTTP.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.pages.wording import problem_words
from workers.model.errors import FieldProblem

TOLERANCES = 3
MM3_PER_CM3 = 1000.0
_GENERAL_CLASS = frozenset("fmcv")  # ISO 2768-1; an ISO 286 class always carries a grade
_OFFSET = re.compile(r"[+-](0\d|1[0-4]):[0-5]\d")  # RFC 3339; no zone is further off than 14 h
_NUMBER = re.compile(r"[+-]?\d{1,12}([.,]\d{1,9})?")

# What matters most, as weights of the four scores: the chosen one counts as much as the others together
# and a little more (engineering prior).
EMPHASES: Mapping[str, tuple[str, Mapping[str, float] | None]] = {
    "shop": ("The shop's usual balance", None),
    "detail": ("Fine detail", {"detail": 0.55, "fit": 0.15, "clog": 0.15, "time": 0.15}),
    "fit": ("Sizes that fit", {"detail": 0.15, "fit": 0.55, "clog": 0.15, "time": 0.15}),
    "clog": ("No blocked nozzle", {"detail": 0.15, "fit": 0.15, "clog": 0.55, "time": 0.15}),
    "time": ("Short machine time", {"detail": 0.15, "fit": 0.15, "clog": 0.15, "time": 0.55}),
}
DETAILS: Sequence[tuple[str, str, str]] = (
    ("rib_mm", "rib", "Thinnest rib or wall"),
    ("slot_mm", "slot", "Narrowest slot or gap"),
    ("stroke_mm", "rib", "Thinnest letter stroke"),
)
USES: Sequence[tuple[str, str]] = (
    ("load_bearing", "It bears a load"),
    ("food_contact", "It touches food"),
    ("mains_powered", "It is used with mains power"),
)

KINDS: Sequence[tuple[str, str]] = (
    ("hole", "hole, diameter"),
    ("boss", "boss, diameter"),
    ("flat-hole", "flat-sided hole, across flats"),
    ("slot", "slot, width"),
    ("rib", "rib, thickness"),
    ("length", "length"),
)
LABELS: Mapping[str, str] = {
    "name": "Name",
    "summary.extent_x_mm": "Length x",
    "summary.extent_y_mm": "Width y",
    "summary.extent_z_mm": "Height z",
    "summary.volume_cm3": "Volume",
    "material.material_ids": "Material",
    "material.heat_deflection_min_c": "Heat deflection",
    "material.tensile_strength_min_mpa": "Tensile strength",
    "material.flexible": "Flexible",
    "material.fibre_filled": "Fibre-filled",
    "emphasis_choice": "What matters most",
    "quantity": "Copies",
    "due": "Due",
    "priority": "Priority",
    "shells": "Shells",
    "infill_percent": "Infill",
    "note": "Note",
    **{f"summary.smallest.{name}": words for name, _, words in DETAILS},
    **{
        f"tolerances.{i}.{name}": f"Size {i + 1}, {words}"
        for i in range(TOLERANCES)
        for name, words in (
            ("name", "called"),
            ("kind", "kind"),
            ("nominal_mm", "as drawn"),
            ("iso286", "class"),
            ("limits.lower_mm", "lower limit"),
            ("limits.upper_mm", "upper limit"),
            ("mating.mate_mm", "meets a part of"),
            ("mating.clearance_min_mm", "clearance from"),
            ("mating.clearance_max_mm", "clearance to"),
        )
    },
}
ONE_WAY = "give one: a class, both limits, or the part that it meets with the clearance"

# Pointers whose form field has another name than their place in the body.
_RENAMED = {
    "summary.volume_mm3": "summary.volume_cm3",
    "due_at": "due",
    "infill": "infill_percent",
    "emphasis": "emphasis_choice",
    "material": "material.material_ids",
}


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with one field of the form. field "" means the form as a whole."""

    field: str
    detail: str


def body_of(form: Mapping[str, str], materials: Sequence[str]) -> dict[str, Any]:
    """The request body. Text that is no number stays text, so that the schema says what is wrong with it."""
    body: dict[str, Any] = {
        "name": form.get("name", "").strip(),
        "summary": _summary(form),
        "material": _material(form, materials),
        "tolerances": [need for need in (tolerance_of(form, i) for i in range(TOLERANCES)) if need],
        "critical": _critical(form),
        "use": {name: True for name, _ in USES if form.get(f"use.{name}")},
    }
    _put_numbers(body, form, ("quantity", "priority", "shells"))
    if (infill := _scaled(form, "infill_percent", 0.01)) is not None:
        body["infill"] = infill
    if due := form.get("due", "").strip():
        body["due_at"] = _moment(due, form.get("due_offset", ""))
    if note := form.get("note", "").strip():
        body["note"] = note
    if weights := EMPHASES.get(form.get("emphasis_choice", "shop"), ("", None))[1]:
        body["emphasis"] = dict(weights)
    return {key: value for key, value in body.items() if value not in ("", [], {}) or key in {"summary", "material"}}


def _summary(form: Mapping[str, str]) -> dict[str, Any]:
    summary: dict[str, Any] = {}
    for name in ("extent_x_mm", "extent_y_mm", "extent_z_mm"):
        _put_number(summary, name, form.get(f"summary.{name}", ""))
    if (volume := _scaled(form, "summary.volume_cm3", MM3_PER_CM3)) is not None:
        summary["volume_mm3"] = volume
    smallest: dict[str, Any] = {}
    for name, _, _ in DETAILS:
        _put_number(smallest, name, form.get(f"summary.smallest.{name}", ""))
    if smallest:
        summary["smallest"] = smallest
    return summary


def _material(form: Mapping[str, str], materials: Sequence[str]) -> dict[str, Any]:
    need: dict[str, Any] = {}
    if materials:
        need["material_ids"] = list(materials)
    for name in ("tensile_strength_min_mpa", "heat_deflection_min_c"):
        _put_number(need, name, form.get(f"material.{name}", ""))
    for name in ("flexible", "fibre_filled"):
        if (word := form.get(f"material.{name}", "")) in {"yes", "no"}:
            need[name] = word == "yes"
    return need


def tolerance_of(form: Mapping[str, str], i: int) -> dict[str, Any]:
    """One toleranced size; empty where its row is empty."""
    at = f"tolerances.{i}."
    typed = {key.removeprefix(at): text.strip() for key, text in form.items() if key.startswith(at) and text.strip()}
    if not typed.keys() - {"kind"}:
        return {}
    need: dict[str, Any] = {"name": typed.get("name") or f"size {i + 1}", "kind": typed.get("kind", "hole")}
    _put_number(need, "nominal_mm", typed.get("nominal_mm", ""))
    if text := typed.get("iso286"):
        need["iso2768" if text in _GENERAL_CLASS else "iso286"] = text
    _put_group(need, "limits", typed, ("lower_mm", "upper_mm"))
    _put_group(need, "mating", typed, ("mate_mm", "clearance_min_mm", "clearance_max_mm"))
    return need


def _put_group(into: dict[str, Any], group: str, typed: Mapping[str, str], names: Iterable[str]) -> None:
    values: dict[str, Any] = {}
    for name in names:
        _put_number(values, name, typed.get(f"{group}.{name}", ""))
    if values:
        into[group] = values


def _critical(form: Mapping[str, str]) -> list[dict[str, Any]]:
    """The details marked as ones that the part is useless without."""
    return [
        {"name": words.lower(), "kind": kind, "size_mm": _number(form.get(f"summary.smallest.{name}", ""))}
        for name, kind, words in DETAILS
        if form.get(f"critical.{name}") and form.get(f"summary.smallest.{name}", "").strip()
    ]


def problems_of(
    fields: Sequence[FieldProblem],
    rows: Sequence[int] = (),
    marked: Sequence[str] = (),
    labels: Mapping[str, str] = LABELS,
) -> list[Problem]:
    """The problems beside their form fields, or with the form as a whole where it has no such field.

    ``rows``, ``marked``: see :func:`filled_rows`. ``labels``: the fields that the form has.
    """
    found = [(field_of(one.pointer, rows, marked), one) for one in fields]
    return [Problem(field if field in labels else "", _sentence(one)) for field, one in found]


def field_of(pointer: str, rows: Sequence[int] = (), marked: Sequence[str] = ()) -> str:
    """The form field that a JSON Pointer into the body belongs to."""
    parts = pointer.strip("/").split("/")
    if parts[0] == "tolerances" and len(parts) > 1 and parts[1].isdigit() and int(parts[1]) < len(rows):
        parts[1] = str(rows[int(parts[1])])
        if parts[2:] in ([], ["limits"], ["mating"], ["iso2768"]):
            parts = [*parts[:2], "iso286"]
    if parts[0] == "critical" and len(parts) > 1 and parts[1].isdigit() and int(parts[1]) < len(marked):
        return f"summary.smallest.{marked[int(parts[1])]}"
    name = ".".join(parts)
    top = next((key for key in _RENAMED if name == key or (key != "material" and name.startswith(f"{key}."))), None)
    if name.startswith("material.material_ids"):
        return "material.material_ids"
    return _RENAMED[top] if top else name


def filled_rows(form: Mapping[str, str]) -> tuple[list[int], list[str]]:
    """Which rows of sizes and which critical details went into the body, in their order there."""
    rows = [i for i in range(TOLERANCES) if tolerance_of(form, i)]
    marked = [n for n, _, _ in DETAILS if form.get(f"critical.{n}") and form.get(f"summary.smallest.{n}", "").strip()]
    return rows, marked


def rows_to_show(form: Mapping[str, str], problems: Iterable[str]) -> list[bool]:
    """Which rows of sizes stand open: those that hold something or have a problem."""
    wrong = tuple(problems)
    return [
        bool(tolerance_of(form, i)) or any(name.startswith(f"tolerances.{i}.") for name in wrong)
        for i in range(TOLERANCES)
    ]


def own_problems(form: Mapping[str, str]) -> list[Problem]:
    """What only the form can see: a detail marked as a must without its size."""
    return [
        Problem(f"summary.smallest.{name}", "give its size, or do not mark it as a must")
        for name, _, _ in DETAILS
        if form.get(f"critical.{name}") and not form.get(f"summary.smallest.{name}", "").strip()
    ]


def _sentence(one: FieldProblem) -> str:
    if re.fullmatch(r"/tolerances/\d+", one.pointer):
        return ONE_WAY
    return problem_words(one)


def _put_numbers(into: dict[str, Any], form: Mapping[str, str], names: Iterable[str]) -> None:
    for name in names:
        _put_number(into, name, form.get(name, ""))


def _put_number(into: dict[str, Any], name: str, text: str) -> None:
    if text.strip():
        into[name] = _number(text)


def _number(text: str) -> float | int | str:
    """The number, decimal point or comma; what is none stays text."""
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(plain):
        return plain
    value = float(plain.replace(",", "."))
    return int(value) if value.is_integer() else value


def _scaled(form: Mapping[str, str], name: str, factor: float) -> float | str | None:
    text = form.get(name, "")
    if not text.strip():
        return None
    value = _number(text)
    return value if isinstance(value, str) else round(value * factor, 9)


def _moment(text: str, offset: str) -> str:
    """A date and time as browsers send it, as RFC 3339: at ``offset`` (as +02:00) of the reader's zone, where a script
    told it, else in UTC. Other text stays as it is."""
    try:
        at = datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        return text
    return f"{at.isoformat(timespec='seconds')}{offset if _OFFSET.fullmatch(offset) else 'Z'}"
