"""What a job may say: each thing that is wrong is named where it stands."""

from __future__ import annotations

import pytest

from tests.service import api_bodies as bodies

WIDTHS = [0.1 + 0.1 * step for step in range(16)]
FLAT = [0.0] * 16


def curves(**changes):
    return {
        "bead_width_mm": WIDTHS,
        "feature_loss": FLAT,
        "corner_loss": FLAT,
        "feature_gain": FLAT,
        "corner_gain": FLAT,
    } | changes


def profile(**changes):
    return {
        "z_mm": [3.0, 9.0],
        "dz_mm": [6.0, 6.0],
        "area_mm2": [800.0, 700.0],
        "perimeter_mm": [140.0, 130.0],
        "islands": [1, 2],
    } | changes


def tolerance(**changes):
    return {"name": "bore", "kind": "hole", "nominal_mm": 6} | changes


def in_summary(**changes):
    return bodies.job(summary=bodies.summary(**changes))


WRONG = [
    ("/name", bodies.job(name="")),
    ("/quantity", bodies.job(quantity=0)),
    ("/quantity", bodies.job(quantity=1.5)),
    ("/infill", bodies.job(infill=1.2)),
    ("/due_at", bodies.job(due_at=1_780_000_000)),
    ("/due_at", bodies.job(due_at="2026-05-08T16:00:00")),
    ("/due_at", bodies.job(due_at="2026-13-08T16:00:00Z")),
    ("/due_at", bodies.job(due_at="2226-05-08T16:00:00Z")),
    ("/note", bodies.job(note="x" * 2001)),
    ("/material/material_ids/1", bodies.job(material={"material_ids": ["pla-grey", "pa-cf"]})),
    ("/material/colour", bodies.job(material={"colour": "red"})),
    ("/emphasis", bodies.job(emphasis=dict.fromkeys(("detail", "fit", "clog", "time"), 0))),
    ("/emphasis/fit", bodies.job(emphasis={"fit": -1})),
    ("/critical/0/kind", bodies.job(critical=[{"name": "letter", "kind": "stroke", "size_mm": 0.5}])),
    ("/critical/0/size_mm", bodies.job(critical=[{"name": "letter", "kind": "rib", "size_mm": 0}])),
    ("/tolerances/0/kind", bodies.job(tolerances=[{"name": "unknown", "nominal_mm": 6, "iso286": "H11"}])),
    ("/tolerances/0", bodies.job(tolerances=[tolerance()])),
    ("/tolerances/0", bodies.job(tolerances=[tolerance(iso286="H11", iso2768="m")])),
    ("/tolerances/1/iso286", bodies.job(tolerances=[tolerance(iso286="H11"), tolerance(iso286="Q11")])),
    ("/tolerances/0/iso286", bodies.job(tolerances=[tolerance(iso286="h11")])),
    ("/tolerances/0/nominal_mm", bodies.job(tolerances=[tolerance(iso286="H11", nominal_mm=600)])),
    ("/tolerances/0/nominal_mm", bodies.job(tolerances=[tolerance(iso286="H11", nominal_mm=0)])),
    ("/tolerances/0/iso2768", bodies.job(tolerances=[tolerance(iso2768="x")])),
    (
        "/tolerances/0/limits/upper_mm",
        bodies.job(tolerances=[tolerance(limits={"lower_mm": 6.1, "upper_mm": 6.0})]),
    ),
    (
        "/tolerances/0/mating/clearance_max_mm",
        bodies.job(tolerances=[tolerance(mating={"mate_mm": 6, "clearance_min_mm": 0.3, "clearance_max_mm": 0.1})]),
    ),
    ("/summary/volume_mm3", in_summary(volume_mm3=40 * 30 * 12 * 1.1)),
    ("/summary/extent_x_mm", in_summary(extent_x_mm=True)),
    ("/summary/schema_version", in_summary(schema_version="2")),
    ("/summary/features/1/name", in_summary(features=bodies.summary()["features"] * 2)),
    ("/summary/slopes/area_share", in_summary(slopes={"area_share": [0.5, 0.4]})),
    ("/summary/profile/dz_mm", in_summary(profile=profile(dz_mm=[6.0, 5.0]))),
    ("/summary/profile/islands", in_summary(profile=profile(islands=[1]))),
    ("/summary/profile/z_mm", in_summary(profile=profile(z_mm=[9.0, 3.0]))),
    ("/summary/profile/area_mm2/1", in_summary(profile=profile(area_mm2=[800.0, "700"]))),
    ("/summary/curves/bead_width_mm", in_summary(curves=curves(bead_width_mm=WIDTHS[:15]))),
    ("/summary/curves/feature_loss/3", in_summary(curves=curves(feature_loss=[0, 0, 0, 1.5, *FLAT[4:]]))),
    ("/summary/curves/corner_gain", in_summary(curves=curves(corner_gain=[*FLAT[:14], 0.2, 0.1]))),
    ("/summary/curves/corner_gain/0", in_summary(curves=curves(corner_gain=[True, *FLAT[1:]]))),
    ("/summary/worst_layers/0/outline", in_summary(worst_layers=[{"z_mm": 1, "outline": [[[0]]], "regions": []}])),
]


@pytest.mark.parametrize(("pointer", "body"), WRONG, ids=[f"{n}-{one[0]}" for n, one in enumerate(WRONG)])
def test_what_is_wrong_is_named_where_it_stands(shop, pointer, body):
    for path in ("/v1/jobs", "/v1/routing-queries"):
        answer = shop.post(path, body)
        assert answer.status_code == 422
        assert [one["pointer"] for one in answer.json["errors"]] == [pointer]
    assert shop.stores.inbox.waiting() == 0


RIGHT = [
    bodies.job(material={}),
    bodies.job(quantity=3.0),
    bodies.job(due_at=None, emphasis=None),
    bodies.job(due_at="2026-05-08t16:00:00.25z"),
    bodies.job(tolerances=[tolerance(limits={"lower_mm": 6.0, "upper_mm": 6.1})]),
    bodies.job(tolerances=[tolerance(mating={"mate_mm": 6, "clearance_min_mm": 0.1, "clearance_max_mm": 0.3})]),
    bodies.job(tolerances=[{"name": "pin bore", "iso2768": "m", "axis": "horizontal"}]),
    in_summary(profile=profile(), curves=curves(), slopes={"area_share": [0.6, 0.4]}),
    in_summary(worst_layers=[{"z_mm": 1, "outline": [[[0, 0], [1, 0], [1, 1.5]]], "regions": []}]),
]


@pytest.mark.parametrize("body", RIGHT)
def test_what_is_right_is_taken(shop, body):
    assert shop.post("/v1/jobs", body).status_code == 202


def test_moments_keep_their_fraction(shop):
    path = shop.made("/v1/jobs", bodies.job(due_at="2026-05-08T18:00:00.25+02:00"))["location"]
    assert shop.get(path).json["spec"]["due_at"] == "2026-05-08T16:00:00.250Z"
