"""The demo: its shop makes physical sense, its parts are consistent, and the whole of it runs."""

from __future__ import annotations

import itertools
import json
import math
import os
import re
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from service.api.calibrations import CalibrationSchema
from service.api.job_schema import JobSchema
from service.api.machines import MachineSchema
from service.api.materials import MaterialSchema
from service.api.nozzles import NozzleSchema
from service.api.spools import SpoolSchema
from service.demo_data import bodies
from service.demo_data.parts import summary
from service.demo_report import Report
from workers.model.fleet import Calibration, Machine, MachineState, Material, Nozzle, Spool
from workers.model.job import JobSpec
from workers.model.routing import Gate, Routing
from workers.model.shop import Shop
from workers.process.bead import bead_in_range
from workers.routing.decide import Router

NOW = 1_800_000_000.0
SCHEMAS = {
    "machines": MachineSchema,
    "nozzles": NozzleSchema,
    "materials": MaterialSchema,
    "spools": SpoolSchema,
    "calibrations": CalibrationSchema,
}
KINDS = {
    "machines": Machine,
    "nozzles": Nozzle,
    "materials": Material,
    "spools": Spool,
    "calibrations": Calibration,
}


def demo_shop() -> Shop:
    """The demo's shop as the service would hold it, from the schemas of the REST interface."""
    things: dict[str, list[Any]] = {plural: [] for plural in KINDS}
    for thing in bodies.things(NOW):
        values = SCHEMAS[thing.plural]().load(dict(thing.body))
        if thing.on is not None:
            values |= {"machine_id": thing.on[0], "slot": thing.on[1]}
        if thing.down is not None:
            values |= {"state": MachineState.DOWN, "state_reason": thing.down}
        things[thing.plural].append(KINDS[thing.plural](**values))
    return Shop(revision=1, **{plural: tuple(sorted(found, key=lambda t: t.id)) for plural, found in things.items()})


def demo_specs() -> dict[str, JobSpec]:
    return {str(one.body["name"]): JobSchema().load(dict(one.body)) for one in bodies.jobs(NOW)}


@pytest.fixture(scope="module")
def shop() -> Shop:
    return demo_shop()


@pytest.fixture(scope="module")
def specs() -> dict[str, JobSpec]:
    return demo_specs()


@pytest.fixture(scope="module")
def routings(shop: Shop, specs: dict[str, JobSpec]) -> dict[str, Routing]:
    return dict(zip(specs, Router(shop).route(list(specs.values())), strict=True))


def part(*slabs: dict[str, Any], footprint: tuple[float, float] = (20.0, 20.0)) -> dict[str, Any]:
    return summary({"footprint_mm": footprint, "slabs": slabs})


def curve_at(made: dict[str, Any], name: str, width_mm: float) -> float:
    return float(made["curves"][name][made["curves"]["bead_width_mm"].index(width_mm)])


# The parts' generator


@pytest.mark.parametrize("width", [0.4, 0.8, 1.6])
def test_a_square_loses_its_corners_to_a_disc(width: float) -> None:
    """Opening a square by a disc of radius r removes (4 - pi) r^2 (closed form; mathematical morphology)."""
    made = part({"height_mm": 5, "add": [{"shape": "rect", "x": 20, "y": 20}]})
    assert curve_at(made, "corner_loss", width) == pytest.approx((4 - math.pi) * (width / 2) ** 2 / 400, rel=1e-4)
    assert curve_at(made, "feature_loss", width) == 0


def test_a_rib_is_kept_by_a_bead_as_wide_and_lost_by_a_wider_one() -> None:
    """A 0.3 mm rib vanishes under a 0.4 mm disc (closed form)."""
    rib = {"shape": "rect", "x": 0.3, "y": 10}
    made = part({"height_mm": 2, "add": [{"shape": "rect", "x": 20, "y": 20}]}, {"height_mm": 3, "add": [rib]})
    share = 0.3 * 10 * 3 / (20 * 20 * 2 + 0.3 * 10 * 3)
    assert curve_at(made, "feature_loss", 0.3) == 0
    assert curve_at(made, "feature_loss", 0.4) == pytest.approx(share, rel=0.01)  # its corners are counted apart
    assert made["smallest"] == {"rib_mm": 0.3}


def test_strokes_spread_over_widths_go_one_after_the_other() -> None:
    """Half of the widths from 0.2 to 0.6 mm are below 0.4; they hold 3/8 of the area (mean width 0.3 of 0.4)."""
    made = part({"height_mm": 1, "add": [{"shape": "strip", "length": 100, "width": [0.2, 0.6]}]})
    assert curve_at(made, "feature_loss", 0.2) == 0
    assert curve_at(made, "feature_loss", 0.4) == pytest.approx(3 / 8)
    assert curve_at(made, "feature_loss", 0.7) == pytest.approx(1)
    assert made["smallest"] == {"stroke_mm": 0.2}


def test_a_narrow_slot_is_filled_by_a_wide_bead() -> None:
    slot = {"shape": "rect", "x": 0.5, "y": 8}
    made = part({"height_mm": 4, "add": [{"shape": "rect", "x": 20, "y": 20}], "cut": [slot]})
    assert curve_at(made, "feature_gain", 0.5) == 0
    assert curve_at(made, "feature_gain", 0.6) == pytest.approx(4 / 396, rel=0.02)
    assert made["smallest"] == {"slot_mm": 0.5}


def test_a_tapering_ring_has_the_volume_of_nested_cones() -> None:
    """Volume of a frustum, pi h (R^2 + R r + r^2) / 3 (textbook), outer minus inner."""

    def frustum(d0: float, d1: float, h: float) -> float:
        return math.pi * h * (d0**2 + d0 * d1 + d1**2) / 12

    made = part({"height_mm": 100, "add": [{"shape": "ring", "d": [60, 100], "wall": 3}]}, footprint=(100, 100))
    assert made["volume_mm3"] == pytest.approx(frustum(60, 100, 100) - frustum(54, 94, 100), rel=1e-3)
    steepest = made["slopes"]["area_share"]
    assert max(steepest) == steepest[1], "a wall leaning by 20 in 100 has |n_z| = 0.196"


@pytest.mark.parametrize("name", list(demo_specs()))
class TestEveryDemoPart:
    def test_its_sections_make_up_its_volume_and_height(self, specs: dict[str, JobSpec], name: str) -> None:
        made = specs[name].summary
        assert made.profile is not None
        volume = sum(a * dz for a, dz in zip(made.profile.area_mm2, made.profile.dz_mm, strict=True))
        assert volume == pytest.approx(made.volume_mm3, rel=0.01)
        assert sum(made.profile.dz_mm) == pytest.approx(made.extent_z_mm, rel=1e-6)

    def test_its_sections_can_exist(self, specs: dict[str, JobSpec], name: str) -> None:
        """Isoperimetric inequality, L^2 >= 4 pi A; and no section is larger than the footprint."""
        made = specs[name].summary
        assert made.profile is not None
        for area, perimeter in zip(made.profile.area_mm2, made.profile.perimeter_mm, strict=True):
            assert perimeter**2 >= 4 * math.pi * area * (1 - 1e-9)
            assert area <= made.extent_x_mm * made.extent_y_mm * (1 + 1e-9)

    def test_its_curves_never_fall(self, specs: dict[str, JobSpec], name: str) -> None:
        """Openings are increasing and compose to the larger (Matheron 1975; Serra 1982)."""
        curves = specs[name].summary.curves
        assert curves is not None
        assert len(curves.bead_width_mm) >= 16
        for values in (curves.feature_loss, curves.corner_loss, curves.feature_gain, curves.corner_gain):
            assert all(a <= b for a, b in itertools.pairwise(values))
            assert all(0 <= v <= 1 for v in values)


# The shop


def test_the_shop_is_as_varied_as_a_workshop(shop: Shop) -> None:
    assert len(shop.machines) >= 7
    assert len({(m.build_x_mm, m.build_y_mm, m.build_z_mm) for m in shop.machines}) == len(shop.machines)
    assert {n.bore_mm for n in shop.nozzles} == {0.25, 0.3, 0.4, 0.5, 0.6, 0.8}
    assert len(shop.materials) >= 9
    assert sum(m.filler.weight_fraction > 0 for m in shop.materials) >= 3
    assert {m.hotend.fitting for m in shop.machines} == {n.fitting for n in shop.nozzles}
    assert any(s.machine_id is None for s in shop.spools)
    assert min(s.remaining_g for s in shop.spools) < 50


def test_every_figure_of_the_shop_says_where_it_is_from() -> None:
    data = json.loads(files("service.demo_data").joinpath("shop.json").read_text(encoding="utf-8"))
    for plural in ("machines", "nozzles", "materials", "calibrations"):
        assert all(one["source"].strip() for one in data[plural]), plural


def test_filled_materials_have_the_density_of_their_mixture(shop: Shop) -> None:
    """Rule of mixtures by mass: 1/rho = w/rho_f + (1 - w)/rho_m."""
    plain = {m.polymer: m.density_g_cm3 for m in shop.materials if m.filler.weight_fraction == 0} | {"PPS": 1.35}
    for material in shop.materials:
        w = material.filler.weight_fraction
        expected = 1 / (w / material.filler.density_g_cm3 + (1 - w) / plain[material.polymer])
        assert material.density_g_cm3 == pytest.approx(expected, rel=0.002), material.id


def test_drying_stays_below_what_the_material_stands(shop: Shop) -> None:
    """A spool must stay below its glass transition; for PLA about 55 to 60 degrees C (resin handbooks)."""
    pla = next(m for m in shop.materials if m.id == "pla")
    assert pla.drying_temp_c is not None
    assert pla.drying_temp_c < 55


def test_nothing_is_mounted_where_it_does_not_fit(shop: Shop) -> None:
    machines = {m.id: m for m in shop.machines}
    for thing in (*shop.nozzles, *shop.spools):
        if thing.machine_id is not None:
            assert 1 <= (thing.slot or 0) <= machines[thing.machine_id].nozzle_slots
    for nozzle in shop.nozzles:
        assert nozzle.machine_id is None or machines[nozzle.machine_id].hotend.fitting == nozzle.fitting


def test_calibrations_are_of_beads_and_temperatures_that_can_be(shop: Shop) -> None:
    nozzles, materials = {n.id: n for n in shop.nozzles}, {m.id: m for m in shop.materials}
    for one in shop.calibrations:
        material = materials[one.material_id]
        assert bead_in_range(nozzles[one.nozzle_id].bore_mm, one.bead_width_mm, one.layer_height_mm)
        assert material.nozzle_temp_min_c <= one.nozzle_temp_c <= material.nozzle_temp_max_c


# What the jobs show


@pytest.mark.common_practice
def test_fine_lettering_goes_to_a_narrow_bore(routings: dict[str, Routing]) -> None:
    chosen = routings["Lettered tag for a valve"].chosen
    assert chosen is not None
    assert chosen.bore_mm <= 0.4


@pytest.mark.common_practice
def test_chopped_fibre_in_a_large_part_goes_to_half_a_millimetre_or_more(routings: dict[str, Routing]) -> None:
    chosen = routings["Davit bracket, load-bearing"].chosen
    assert chosen is not None
    assert chosen.bore_mm >= 0.5
    assert chosen.layer_height_mm <= 0.5 * chosen.bore_mm + 1e-9, "load-bearing: layers low against the bore"


def test_a_critical_rib_rules_out_every_wider_bead(routings: dict[str, Routing]) -> None:
    routing = routings["Comb for a ribbon of wires"]
    assert routing.chosen is not None
    assert routing.chosen.bead_width_mm <= 0.3
    assert Gate.CRITICAL_DETAIL in {r.gate for r in routing.refused}


def test_a_part_larger_than_every_machine_is_refused(routings: dict[str, Routing], shop: Shop) -> None:
    routing = routings["Full-length cable trough"]
    assert routing.chosen is None
    refusals = [r for r in routing.refused if r.gate is Gate.BUILD_VOLUME]
    assert {r.needed for r in refusals} == {640.0}
    assert max(float(r.available) for r in refusals) == max(m.build_x_mm for m in shop.machines)


def test_a_part_hotter_than_every_material_is_refused_for_the_material(routings: dict[str, Routing]) -> None:
    routing = routings["Flange beside a 230 °C pipe"]
    assert routing.chosen is None
    assert {r.gate for r in routing.refused} == {Gate.MATERIAL_NEED}


def test_a_material_by_property_is_one_that_has_it(routings: dict[str, Routing], shop: Shop) -> None:
    materials = {m.id: m for m in shop.materials}
    hood, gasket = (
        routings["Sensor hood for the south wall"].chosen,
        routings["Soft gasket for an inspection lid"].chosen,
    )
    assert hood is not None
    assert gasket is not None
    assert materials[hood.material_id].heat_deflection_c >= 85
    assert materials[gasket.material_id].flexible


def test_a_spool_that_is_too_short_is_refused(routings: dict[str, Routing]) -> None:
    refused = routings["Sensor hood for the south wall"].refused
    assert "asa" in {r.material_id for r in refused if r.gate is Gate.STOCK}


@pytest.mark.common_practice
def test_details_larger_than_every_bore_hardly_decide(routings: dict[str, Routing]) -> None:
    routing = routings["Fixture block"]
    assert routing.chosen is not None
    detail = [c.scores.detail for c in (routing.chosen, *routing.others)]
    assert max(detail) - min(detail) < 0.05


# The report


def explanation(**changed: Any) -> dict[str, Any]:
    keys = ("reasons", "remedies", "flips", "refusals", "notes", "cautions")
    return {"headline": "Print on the bench.", **{key: [] for key in keys}, **changed}


def test_the_report_wraps_and_says_a_caution_in_full_once() -> None:
    report = Report(60)
    caution = "Hot parts: let the nozzle and the bed cool, or wear heat-proof gloves, before reaching in."
    first = report.routing("one", "a thing", explanation(cautions=[caution]))
    second = report.routing("two", "a thing", explanation(cautions=[caution]))
    assert caution in re.sub(r"\s+", " ", first)
    assert "- Hot parts (in full: job 1)." in second
    assert all(len(line) <= 60 for line in (first + second).splitlines())


def test_the_report_counts_what_it_leaves_out() -> None:
    text = Report(80).routing("one", "a thing", explanation(refusals=[f"machine {i} is down" for i in range(6)]))
    assert text.count("is down") == 4
    assert "and 2 more" in text


# The whole of it


def run(tmp_path: Path, *more: str) -> subprocess.Popen[str]:
    environ = {k: v for k, v in os.environ.items() if not k.startswith("BOREWRIGHT_")}
    environ |= {"TMPDIR": str(tmp_path), "COLUMNS": "80", "BOREWRIGHT_REDIS_URL": "redis://203.0.113.1:1/0"}
    return subprocess.Popen(
        (sys.executable, "-m", "service.cli", "demo", *more),
        env=environ,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_the_demo_prints_every_routing_and_leaves_nothing_behind(tmp_path: Path) -> None:
    """It runs on its own Redis even where the environment names another (203.0.113.0/24 is for documents: RFC 5737)."""
    process = run(tmp_path)
    out, err = process.communicate(timeout=180)
    assert process.returncode == 0, err
    for name in demo_specs():
        assert name in out
    assert out.count("=> Print on") == len(demo_specs()) - 2
    assert out.count("=> Nothing in the shop can print this") == 2
    assert all(len(line) <= 80 for line in out.splitlines())
    assert list(tmp_path.iterdir()) == []


def test_the_demo_keeps_serving_until_it_is_ended(tmp_path: Path) -> None:
    process = run(tmp_path, "--keep")
    address = ""
    for line in process.stdout or ():
        if found := re.search(r"Still serving at (http://\S+)", line):
            address = found[1]
            break
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            assert answer.status == 200
            assert "Dry Dock" in answer.read().decode()
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=60)
    assert process.returncode == 0
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(address, timeout=2)


def test_a_taken_port_is_said_and_ends_with_1(tmp_path: Path) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        process = run(tmp_path, "--port", str(taken.getsockname()[1]))
        _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "Cannot listen" in err
    assert list(tmp_path.iterdir()) == []
