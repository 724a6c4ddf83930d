"""Laying out a trial: seeded, balanced, honest about what cannot be compared, and pinned to its places."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from tests import builders as make
from tests.planning.trials import simulated
from workers.model.errors import InvalidError
from workers.model.fleet import MachineState, TipMaterial
from workers.model.job import PlaceNeed
from workers.model.routing import Gate
from workers.planning.trials.draw import shuffled
from workers.planning.trials.foretold import estimate_of, power_of_trial
from workers.planning.trials.layout import lay_out
from workers.routing.decide import Router
from workers.routing.explain import explain

PIECE = make.block(40.0, 30.0, 10.0)


def laid(shop=None, **changes):
    return lay_out(shop or simulated.shop(), simulated.plan(**changes), [PIECE], simulated.NOW)


def test_the_same_seed_draws_the_same_order_and_another_seed_another():
    first, again, other = laid(seed=5), laid(seed=5), laid(seed=6)
    assert first == again
    assert [run.bore_mm for run in first.runs] != [run.bore_mm for run in other.runs]


def test_the_draw_is_what_it_has_always_been():
    """SHA-256 of seed and labels decides: the order may never change, or a trial could not be drawn again."""
    assert shuffled(["a", "b", "c", "d", "e"], 1, "order", 0, 1) == ["b", "a", "d", "c", "e"]


def test_every_order_comes_equally_often_over_the_seeds():
    """Pearson's chi-squared with 5 degrees of freedom stays under 20.5, its 0.1 % point (usual table, from memory)."""
    seen = Counter(tuple(shuffled("abc", seed, "x")) for seed in range(1200))
    assert len(seen) == 6
    assert sum((n - 200) ** 2 / 200 for n in seen.values()) < 20.5


def test_every_block_prints_every_bore_equally_often():
    trial = laid(replicates=4)
    counts = Counter((run.block, run.bore_mm) for run in trial.runs)
    assert set(counts.values()) == {4}
    assert len(trial.runs) == 2 * 2 * 3 * 4
    assert trial.efficiency == pytest.approx(1.0)
    assert [run.number for run in trial.runs] == list(range(1, 49))
    for block in {run.block for run in trial.runs}:
        where = {(r.machine_id, r.material_id, r.spool_id) for r in trial.runs if r.block == block}
        assert len(where) == 1
    replicates = Counter((run.block, run.replicate, run.bore_mm) for run in trial.runs)
    assert set(replicates.values()) == {1}


def test_incomplete_blocks_compare_each_pair_equally_often():
    trial = laid(runs_per_replicate=2, replicates=3, material_ids=("pla",))
    assert Counter(run.bore_mm for run in trial.runs) == {0.4: 4, 0.5: 4, 0.6: 4}
    assert trial.efficiency > 0.9


def test_a_bore_that_a_material_rules_out_is_left_out_with_the_reason():
    shop = simulated.shop()
    brass = tuple(
        replace(n, tip=TipMaterial.BRASS) if n.bore_mm == 0.4 else n for n in shop.nozzles
    )  # fibre wears brass
    trial = laid(replace(shop, nozzles=brass))
    assert {(one.material_id, one.bore_mm) for one in trial.left_out} == {("pa-cf", 0.4)}
    assert "tip-wear-class" in trial.left_out[0].reason
    assert {run.bore_mm for run in trial.runs if run.material_id == "pa-cf"} == {0.5, 0.6}


def test_a_bore_that_stands_on_one_machine_alone_cannot_be_told_from_it():
    shop = simulated.shop()
    apart = tuple(
        replace(n, fitting="long" if n.machine_id == "m2" else "short")
        for n in shop.nozzles
        if (n.machine_id, n.bore_mm) in {("m1", 0.4), ("m1", 0.5), ("m2", 0.6)}
    )
    machines = tuple(replace(m, hotend=replace(m.hotend, fitting="long")) if m.id == "m2" else m for m in shop.machines)
    with pytest.raises(InvalidError, match="bore and machine would be one and the same") as refused:
        laid(replace(shop, nozzles=apart, machines=machines))
    assert refused.value.fields[0].pointer == "/machine_ids"


def test_a_bore_that_nothing_can_print_is_pointed_at():
    with pytest.raises(InvalidError, match=r"can print 0\.3 mm") as refused:
        laid(bores_mm=(0.3, 0.4, 0.5))
    assert [one.pointer for one in refused.value.fields] == ["/bores_mm/0"]


def test_a_machine_that_is_down_takes_no_run():
    shop = simulated.shop()
    down = tuple(replace(m, state=MachineState.DOWN) if m.id == "m2" else m for m in shop.machines)
    trial = laid(replace(shop, machines=down))
    assert {run.machine_id for run in trial.runs} == {"m1"}


def test_nozzles_on_the_shelf_cost_their_changes():
    shop = simulated.shop(1)
    shelf = tuple(replace(n, machine_id=None, slot=None) if n.bore_mm != 0.4 else n for n in shop.nozzles)
    one_slot = tuple(replace(m, nozzle_slots=1) for m in shop.machines)
    mounted = laid(shop, machines=1, materials=1)
    trial = laid(replace(shop, nozzles=shelf, machines=one_slot), machines=1, materials=1)
    changes = sum(a.bore_mm != b.bore_mm for a, b in zip(trial.runs, trial.runs[1:], strict=False))
    changes += trial.runs[0].bore_mm != 0.4
    spent = estimate_of(trial.runs).setup_h - estimate_of(mounted.runs).setup_h
    assert spent == pytest.approx(changes * 900.0 / 3600.0)
    assert any("change of nozzle" in note for note in trial.notes)


def test_hours_and_grams_are_those_of_the_routing():
    trial = laid(machines=1, materials=1, replicates=2)
    said = estimate_of(trial.runs)
    run = trial.runs[0]
    bead = {"bead_width_mm": run.bead_width_mm, "layer_height_mm": run.layer_height_mm}
    place = PlaceNeed(machine_id=run.machine_id, nozzle_id=run.nozzle_id, **bead)
    [routing] = Router(simulated.shop(1), simulated.NOW).route([make.job(summary=PIECE, place=place)])
    assert routing.chosen.print_h == pytest.approx(run.print_h)
    assert routing.chosen.material_g == pytest.approx(run.material_g)
    assert said.print_h == pytest.approx(sum(one.print_h for one in trial.runs))
    assert said.material_g == pytest.approx(sum(one.material_g for one in trial.runs))
    assert said.elapsed_h == pytest.approx(said.print_h + said.setup_h)


def test_more_replicates_show_smaller_differences():
    few, many = simulated.planned(replicates=2), simulated.planned(replicates=6)
    shown = [power_of_trial(one.plan, one.runs).measures[0] for one in (few, many)]
    assert shown[1].at_80 < shown[0].at_80 < shown[0].at_90


def test_a_job_with_a_place_goes_there_with_the_bead_nearest_to_the_one_named():
    shop = make.shop()
    place = PlaceNeed(machine_id="m1", nozzle_id="n06", bead_width_mm=0.67, layer_height_mm=0.31)
    [free, pinned] = Router(shop).route([make.job(), make.job(place=place)])
    assert free.pairings == 3
    assert (pinned.pairings, pinned.feasible, pinned.others) == (1, 1, ())
    chosen = pinned.chosen
    assert (chosen.nozzle_id, chosen.bead_width_mm, chosen.layer_height_mm) == ("n06", 0.66, 0.3)


def test_a_job_whose_nozzle_is_not_on_its_machine_says_so():
    shop = make.shop(nozzles=(make.nozzle("n04", 0.4), make.nozzle("n05", 0.5, None)))
    [routing] = Router(shop).route([make.job(place=PlaceNeed(machine_id="m1", nozzle_id="n05"))])
    assert routing.chosen is None
    assert [(one.gate, one.needed, one.available) for one in routing.refused] == [(Gate.PLACE, "m1", "on the shelf")]
    assert "must be mounted on the machine" in explain(routing, shop).refusals[0]


def test_a_named_bead_that_the_part_does_not_allow_is_refused_by_its_gate():
    from workers.model.job import CriticalDetail, Use
    from workers.model.part import FeatureKind

    wide = PlaceNeed(machine_id="m1", nozzle_id="n04", bead_width_mm=0.5, layer_height_mm=0.28)
    rib = CriticalDetail(name="lip", kind=FeatureKind.RIB, size_mm=0.42)
    [fine, loaded] = Router(make.shop()).route(
        [make.job(place=wide, critical=(rib,)), make.job(place=wide, use=Use(load_bearing=True))]
    )
    assert [one.gate for one in fine.refused] == [Gate.CRITICAL_DETAIL]
    assert [one.gate for one in loaded.refused] == [Gate.LAYER_FOR_LOAD]


def test_every_replicate_prints_every_part_with_every_bore():
    """A full factorial within each block: parts x bores x materials x machines x replicates."""
    thin, thick = make.block(40.0, 30.0, 4.0), make.block(40.0, 30.0, 20.0)
    wanted = simulated.plan(part_ids=("p-thin", "p-thick"), replicates=2)
    found = lay_out(simulated.shop(), wanted, [thin, thick], simulated.NOW)
    counts = Counter((run.block, run.replicate, run.part_id, run.bore_mm) for run in found.runs)
    assert set(counts.values()) == {1}
    assert len(found.runs) == 2 * len(simulated.BORES) * 2 * 2 * 2
    orders = [run.part_id for run in found.runs]
    assert orders != sorted(orders)  # parts are drawn with the bores, not printed one after the other
    # what the parts take, each by itself and together
    said = estimate_of(found.runs)
    assert [one.runs for one in said.parts] == [24, 24]
    assert sum(one.print_h for one in said.parts) == pytest.approx(said.print_h)
    assert sum(one.material_g for one in said.parts) == pytest.approx(said.material_g)
    assert said.parts[0].print_h > 3.0 * said.parts[1].print_h  # thick before thin, by id
    # each part is analysed by itself: its power is that of the trial with it alone
    alone = lay_out(simulated.shop(), replace(wanted, part_ids=("p-thin",)), [thin], simulated.NOW)
    assert power_of_trial(wanted, found.runs) == power_of_trial(wanted, alone.runs)


def test_a_bore_that_cannot_print_one_of_the_parts_is_left_out_for_all():
    low, high = make.block(40.0, 30.0, 10.0), make.block(40.0, 30.0, 10_000.0)
    with pytest.raises(InvalidError, match=r"no machine of the trial can print 0\.4 mm"):
        lay_out(simulated.shop(), simulated.plan(part_ids=("p-low", "p-high")), [low, high], simulated.NOW)
