"""Gates: each refusal names its gate and both figures, and what would have to change."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.builders import block, chopped_fibre, job, machine, nozzle, plain, shop, spool
from workers.model.fleet import Hotend, MachineState, TipMaterial
from workers.model.job import CriticalDetail, JobSpec, MaterialNeed
from workers.model.part import FeatureKind
from workers.model.routing import Gate, Refusal, Routing
from workers.model.shop import Shop
from workers.routing.decide import Router
from workers.routing.explain import explain
from workers.routing.help import with_remedies

ONE_BORE = (nozzle("n04", 0.4),)


def refused(spec: JobSpec, the_shop: Shop) -> Refusal:
    routing = Router(the_shop).route([spec])[0]
    assert routing.chosen is None
    (refusal,) = routing.refused
    return refusal


@pytest.mark.parametrize(
    ("spec", "the_shop", "gate", "needed", "available", "unit"),
    [
        (
            job(),
            shop(machines=(machine(state=MachineState.DOWN),), nozzles=ONE_BORE),
            Gate.MACHINE_UP,
            "up",
            "down",
            "",
        ),
        (job(summary=block(240, 10, 10)), shop(nozzles=ONE_BORE), Gate.BUILD_VOLUME, 240.0, 220.0, "mm"),
        (job(summary=block(10, 10, 260)), shop(nozzles=ONE_BORE), Gate.BUILD_VOLUME, 260.0, 250.0, "mm"),
        (
            job(material="pa-cf"),
            shop(
                machines=(machine(hotend=Hotend(fitting="short", flow_ceiling_mm3_s=15, nozzle_temp_max_c=250.0)),),
                nozzles=ONE_BORE,
            ),
            Gate.NOZZLE_TEMPERATURE,
            260.0,
            250.0,
            "°C",
        ),
        (
            job(material="pa-cf"),
            shop(machines=(machine(bed_temp_max_c=80.0),), nozzles=ONE_BORE),
            Gate.BED_TEMPERATURE,
            90.0,
            80.0,
            "°C",
        ),
        (
            job(material="abs"),
            shop(
                machines=(machine(enclosed=False),),
                nozzles=ONE_BORE,
                materials=(plain("abs", enclosure_needed=True),),
                spools=(spool("abs"),),
            ),
            Gate.CHAMBER,
            "enclosed",
            "open",
            "",
        ),
        (
            job(material="pa-cf"),
            shop(nozzles=(nozzle("n04", 0.4, tip=TipMaterial.BRASS),)),
            Gate.TIP_WEAR_CLASS,
            2.0,
            0.0,
            "wear class",
        ),
        (job(material="pa-cf"), shop(nozzles=(nozzle("n025", 0.25),)), Gate.BORE_FOR_FILLER, 0.3, 0.25, "mm"),
        (
            job(critical=(CriticalDetail(name="rib", kind=FeatureKind.RIB, size_mm=0.3),)),
            shop(nozzles=ONE_BORE),
            Gate.CRITICAL_DETAIL,
            0.3,
            0.36,
            "mm",
        ),
    ],
)
def test_a_refusal_names_its_gate_and_both_figures(
    spec: JobSpec, the_shop: Shop, gate: Gate, needed: object, available: object, unit: str
) -> None:
    refusal = refused(spec, the_shop)
    assert (refusal.gate, refusal.needed, refusal.available, refusal.unit) == (gate, needed, available, unit)
    assert refusal.pairings == 1


def test_a_copy_must_come_off_one_spool() -> None:
    halves = (spool("pla", remaining_g=15.0), replace(spool("pla", remaining_g=15.0), id="second"))
    refusal = refused(job(), shop(nozzles=ONE_BORE, spools=halves))
    assert refusal.gate is Gate.STOCK
    assert refusal.available == 15.0
    assert isinstance(refusal.needed, float)
    assert 15.0 < refusal.needed < 30.0


def test_a_part_may_be_turned_by_a_quarter_about_z() -> None:
    narrow = machine(build_x_mm=100.0, build_y_mm=220.0)
    lying = job(summary=block(210, 90, 10))
    assert Router(shop(machines=(narrow,))).route([lying])[0].chosen is not None


def helped(the_shop: Shop, spec: JobSpec) -> Routing:
    """The routing with what would make the job routable."""
    router = Router(the_shop)
    [routing] = router.route([spec])
    assert routing.remedies == ()
    return with_remedies(router, spec, routing)


def test_a_shelf_nozzle_that_would_do_is_offered() -> None:
    the_shop = shop(nozzles=(nozzle("n06", 0.6), nozzle("n03", 0.3, machine_id=None)))
    spec = job(critical=(CriticalDetail(name="rib", kind=FeatureKind.RIB, size_mm=0.3),))
    routing = helped(the_shop, spec)
    assert routing.chosen is None
    assert any("n03" in remedy.change and "M1" in remedy.change for remedy in routing.remedies)


def test_a_remedy_is_true_when_followed() -> None:
    the_shop = shop(machines=(machine(state=MachineState.DOWN, state_reason="belt torn"),))
    routing = helped(the_shop, job())
    assert [remedy.gate for remedy in routing.remedies] == [Gate.MACHINE_UP]
    assert Router(shop()).route([job()])[0].chosen is not None


def test_what_nothing_helps_gets_its_nearest_miss() -> None:
    routing = helped(shop(), job(summary=block(230, 10, 10)))
    (remedy,) = routing.remedies
    assert "230" in remedy.effect
    assert "220" in remedy.effect


def test_a_material_that_would_do_is_offered() -> None:
    soft = (nozzle("n04", 0.4, tip=TipMaterial.BRASS),)
    routing = helped(shop(nozzles=soft, materials=(chopped_fibre(), plain())), job(material="pa-cf"))
    assert [remedy.change for remedy in routing.remedies] == [
        "Mount a 0.4 mm nozzle with a hardened steel tip instead of a softer one",
        "Allow PLA",
    ]


def test_the_sentences_carry_the_figures() -> None:
    the_shop = shop(nozzles=ONE_BORE)
    routing = Router(the_shop).route([job(summary=block(240, 10, 10))])[0]
    (sentence,) = explain(routing, the_shop).refusals
    assert "needed 240 mm, there is 220 mm" in sentence
    assert sentence.startswith("M1: ")


def test_a_remedy_never_drops_a_property_that_was_asked_for() -> None:
    hot = MaterialNeed(heat_deflection_min_c=200.0)
    routing = helped(shop(), replace(job(), material=hot))
    assert [remedy.change for remedy in routing.remedies] == [
        "Ask for a heat deflection temperature of 140 °C instead of 200 °C",
        "Ask for a heat deflection temperature of 55 °C instead of 200 °C",
    ]


def test_the_nearest_miss_names_every_gate_of_one_pairing() -> None:
    cold = machine(bed_temp_max_c=80.0)
    routing = helped(shop(machines=(cold,), nozzles=ONE_BORE), job(material="pa-cf", summary=block(640, 10, 10)))
    assert [remedy.gate for remedy in routing.remedies] == [Gate.BED_TEMPERATURE, Gate.BUILD_VOLUME]
