"""The geometry task on a real Redis with real analyses: one part a task, poses compared, hostile files survived."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import redis
from rq import Queue, SimpleWorker
from rq.serializers import JSONSerializer

from service.api.part_schema import SummarySchema
from tests.builders import block, job, machine, nozzle, plain, spool
from tests.geometry import shapes
from workers import tasks
from workers.geometry import sandbox
from workers.geometry.carried import carried_features
from workers.geometry.errors import AnalysisUnavailableError
from workers.geometry.limits import MeshLimits
from workers.geometry.summary import summarise_poses
from workers.model.codec import to_json
from workers.model.job import JobSpec, JobState, OpenTolerance
from workers.model.part import Axis, FeatureKind
from workers.model.part_record import MeshOptions, Orientation, PartRecord, PartState
from workers.routing.decide import Router
from workers.routing.poses import common_utilities
from workers.store.stores import Stores, open_stores
from workers.store.uploads import Upload
from workers.tasks import geometry
from workers.tasks.posed import KnownParts, posed_jobs

PLATE = shapes.plate_with_holes([(6.0, 20.0, 20.0), (3.0, 40.0, 20.0)])
TALL = shapes.box(8.0, 12.0, 90.0) - shapes.cylinder(4.0, 20.0, 48).rotate([0, 90, 0]).translate([-1, 6, 70])


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client)
    opened.inbox.prepare()
    for thing in (machine(), nozzle("n04", 0.4), plain(), spool("pla")):
        opened.fleet.create(thing)
    return opened


def handed_in(stores: Stores, data: bytes, **options: object) -> PartRecord:
    return stores.parts.put(Upload.of(data, MeshOptions(**{"unit": "mm", **options}), "part.stl"))  # type: ignore[arg-type]


def on_part(part_id: str, **changes: object) -> JobSpec:
    return replace(job(), summary=None, part_id=part_id, **changes)  # type: ignore[arg-type]


def queued(stores: Stores) -> int:
    return len(Queue(tasks.GEOMETRY_QUEUE, connection=stores.client, serializer=JSONSerializer))


def work_off(stores: Stores, *queues: str) -> None:
    for name in queues:
        queue = Queue(name, connection=stores.client, serializer=JSONSerializer)
        SimpleWorker([queue], connection=stores.client, serializer=JSONSerializer).work(
            burst=True, logging_level="ERROR"
        )


def test_a_rung_worker_analyses_the_part_and_its_job_is_routed(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(PLATE))
    stores.jobs.hand_in([on_part(part.id)], ["j1"])
    assert tasks.ring_geometry(stores)
    assert not tasks.ring_geometry(stores)

    work_off(stores, tasks.GEOMETRY_QUEUE, tasks.ROUTING_QUEUE)

    done = stores.parts.get(part.id)
    summary = done.summary()
    assert summary is not None
    # a box of 60 x 40 x 8 without two cylinders of 48 facets: n/2 r^2 sin(2 pi / n) each
    circle = 24 * np.sin(2 * np.pi / 48)
    assert summary.volume_mm3 == pytest.approx((60 * 40 - circle * (3.0**2 + 1.5**2)) * 8, rel=1e-6)
    assert stores.jobs.get("j1").state in {JobState.ROUTED, JobState.BOUND}
    routing = stores.jobs.routing("j1")
    assert routing is not None
    assert routing.pose is None
    alike = Router(stores.fleet.snapshot(), routing.as_of).route([job(summary=summary)])[0]
    assert (routing.chosen, routing.others) == (alike.chosen, alike.others)


def test_a_summary_from_a_mesh_can_be_posted_by_hand(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(PLATE))
    tasks.analyse_next(stores, "g")
    summary = stores.parts.get(part.id).summary()
    assert SummarySchema().load(json.loads(to_json(summary))) == summary


def test_each_task_takes_one_part_and_calls_for_the_next(stores: Stores) -> None:
    one, two = handed_in(stores, shapes.stl(PLATE)), handed_in(stores, shapes.stl(shapes.box(5, 6, 7)))
    assert tasks.analyse_next(stores, "g") == one.id
    assert queued(stores) == 1
    work_off(stores, tasks.GEOMETRY_QUEUE)
    assert stores.parts.get(two.id).state is PartState.ANALYSED
    assert tasks.analyse_next(stores, "g") is None


def test_progress_comes_from_the_child(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(PLATE))
    tasks.analyse_next(stores, "g")
    told = [e.data for e in stores.events.after("0", 1000) if e.kind == "part.progress" and part.id in e.subject]
    assert {"load", "curves"} <= {data["phase"] for data in told}
    percents = [data["percent"] for data in told]
    assert percents == sorted(percents)


@pytest.mark.parametrize(
    ("data", "options", "slug"),
    [
        (b"solid nothing at all", {}, "mesh-type"),
        (shapes.stl(PLATE)[:-30], {"fmt": "stl"}, "mesh-refused"),
        (shapes.stl(PLATE), {"fmt": "obj"}, "mesh-type"),
        (b"\x89PNG\r\n\x1a\n" + bytes(200), {}, "mesh-type"),
        (shapes.stl(shapes.box(1, 1, 1), scale=1e7), {}, "mesh-too-large"),
        (shapes.package("<model/>"), {"unit": None}, "mesh-refused"),
        (b"PK\x03\x04" + b"\xff" * 500, {"unit": None}, "mesh-refused"),
    ],
    ids=["no facets", "cut short", "says obj", "a picture", "10 km", "empty 3MF", "no ZIP"],
)
def test_a_hostile_file_is_refused_with_the_reason(
    stores: Stores, data: bytes, options: dict[str, str], slug: str
) -> None:
    part = handed_in(stores, data, **options)
    stores.jobs.hand_in([on_part(part.id)], ["j1"])
    tasks.analyse_next(stores, "g")

    refused = stores.parts.get(part.id)
    assert refused.state is PartState.REFUSED
    assert refused.problem is not None
    assert refused.problem.slug == slug
    assert refused.problem.detail in stores.jobs.get("j1").reason
    assert stores.parts.mesh(part.id) is None


def test_an_analysis_past_its_time_says_the_limit(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(geometry, "_limits", MeshLimits(seconds=0.05))
    part = handed_in(stores, shapes.stl(PLATE))
    tasks.analyse_next(stores, "g")
    problem = stores.parts.get(part.id).problem
    assert problem is not None
    assert (problem.slug, "0.05 s" in problem.detail) == ("mesh-time", True)


def test_where_no_child_can_be_started_the_part_waits_on(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    def unavailable(*_: object, **__: object) -> None:
        raise AnalysisUnavailableError("The analysis cannot be started: no memory.")

    part = handed_in(stores, shapes.stl(PLATE))
    with monkeypatch.context() as patch:
        patch.setattr(sandbox, "run_summary", unavailable)
        patch.setattr(geometry, "UNAVAILABLE_S", 0.0)
        tasks.analyse_next(stores, "g")
    assert stores.parts.get(part.id).state is PartState.ACCEPTED
    assert tasks.analyse_next(stores, "g") == part.id
    assert (stores.parts.get(part.id).state, stores.parts.get(part.id).attempt) == (PartState.ANALYSED, 1)


def test_a_store_that_is_away_at_the_end_does_not_cost_the_work(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound, tries = stores.analyses.commit, 0

    def away_twice(*args: object) -> object:
        nonlocal tries
        tries += 1
        if tries < 3:
            raise redis.ConnectionError("no answer")
        return sound(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(type(stores.analyses), "commit", lambda self, *args: away_twice(*args))
    monkeypatch.setattr(geometry, "AGAIN_S", 0.0)
    part = handed_in(stores, shapes.stl(PLATE))
    tasks.analyse_next(stores, "g")
    assert (tries, stores.parts.get(part.id).state) == (3, PartState.ANALYSED)


def test_a_worker_takes_up_again_what_was_cut_off(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(PLATE))
    assert stores.analyses.claim("g", 60.0) is not None  # its answer was lost on the way
    assert tasks.analyse_next(stores, "another") is None
    assert tasks.analyse_next(stores, "g") == part.id


def test_a_fault_of_ours_refuses_the_part_and_spares_the_worker(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(sandbox, "run_summary", faulty)
    part = handed_in(stores, shapes.stl(PLATE))
    assert tasks.analyse_next(stores, "g") == part.id
    problem = stores.parts.get(part.id).problem
    assert problem is not None
    assert problem.slug == "mesh-crashed"


def test_a_part_that_takes_the_worker_down_each_time_is_refused(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(PLATE))
    for _ in range(geometry.MOST_ATTEMPTS):
        assert stores.analyses.claim("g", 0.0) is not None
    tasks.analyse_next(stores, "g")
    problem = stores.parts.get(part.id).problem
    assert problem is not None
    assert f"{geometry.MOST_ATTEMPTS} times" in problem.detail


def test_reconciling_rings_for_parts_that_nobody_holds(stores: Stores) -> None:
    assert not tasks.reconcile_parts(stores)
    handed_in(stores, shapes.stl(PLATE))
    assert tasks.reconcile_parts(stores)
    assert not tasks.reconcile_parts(stores)  # a task is queued
    work_off(stores, tasks.GEOMETRY_QUEUE)
    assert not tasks.reconcile_parts(stores)

    handed_in(stores, shapes.stl(TALL))
    assert stores.analyses.claim("held", 60.0) is not None
    assert not tasks.reconcile_parts(stores)


def test_the_task_is_an_rq_task() -> None:
    with pytest.raises(RuntimeError, match="RQ task"):
        tasks.analyse("main")


def test_best_compares_the_poses_and_keeps_the_better_routing(stores: Stores) -> None:
    """A tower of 90 mm has some 450 layers standing and 60 lying; the time score decides."""
    part = handed_in(stores, shapes.stl(TALL), orientation=Orientation.BEST)
    stores.jobs.hand_in([on_part(part.id)], ["j1"])
    tasks.analyse_next(stores, "g")
    tasks.drain_inbox(stores, "r")

    poses = stores.parts.get(part.id).poses
    routing = stores.jobs.routing("j1")
    assert routing is not None
    assert routing.pose is not None
    assert (routing.pose.name != "as-given", routing.pose.compared) == (True, len(poses))
    assert routing.pose.note in routing.notes
    lying = next(pose.summary for pose in poses if pose.name == routing.pose.name)
    assert lying.extent_z_mm < 20
    turn = np.array(routing.pose.rotation)
    assert np.allclose(turn @ turn.T, np.eye(3), atol=1e-9)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    each = Router(stores.fleet.snapshot()).route([job(summary=pose.summary) for pose in poses])
    values = common_utilities(each)
    assert max(values) == values[[pose.name for pose in poses].index(routing.pose.name)]


def test_utilities_of_poses_compare_on_one_time_scale(stores: Stores) -> None:
    """The same block in two sizes, all weight on time: by hand, the slower one is ln(t1 / t2) behind."""
    from workers.model.job import Emphasis

    specs = [job(summary=block(z_mm=z), emphasis=Emphasis(detail=0, fit=0, clog=0, time=1)) for z in (20.0, 60.0)]
    fast, slow = Router(stores.fleet.snapshot()).route(specs)
    assert fast.chosen is not None
    assert slow.chosen is not None
    assert fast.chosen.utility == pytest.approx(slow.chosen.utility)  # each is the fastest of its own pose
    hours = [one.chosen.print_h + one.chosen.setup_h for one in (fast, slow) if one.chosen is not None]
    behind = common_utilities([fast, slow])
    assert behind[1] - behind[0] == pytest.approx(np.log(hours[0] / hours[1]), abs=1e-9)


def test_a_tolerance_takes_its_hole_from_the_part_in_every_pose(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(TALL), orientation=Orientation.BEST)
    tasks.analyse_next(stores, "g")
    lean = on_part(part.id, open_tolerances=(OpenTolerance(name="hole-1", iso286="H11"),))
    (posed,) = posed_jobs(stores, [lean], KnownParts())

    assert isinstance(posed, tasks.PosedJob)
    needs = [spec.tolerances[0] for spec in posed.specs]
    assert {(need.kind, round(need.nominal_mm, 2)) for need in needs} == {(FeatureKind.HOLE, 4.0)}
    assert needs[0].axis is Axis.HORIZONTAL
    assert Axis.VERTICAL in {need.axis for need in needs[1:]}


def test_a_job_that_leans_on_a_missing_feature_fails_alone(stores: Stores) -> None:
    part = handed_in(stores, shapes.stl(PLATE))
    lean = on_part(part.id, open_tolerances=(OpenTolerance(name="pin bore", iso286="H11"),))
    stores.jobs.hand_in([lean, on_part(part.id)], ["j1", "j2"])
    tasks.analyse_next(stores, "g")
    tasks.drain_inbox(stores, "r")
    record = stores.jobs.get("j1")
    assert (record.state, "pin bore" in record.reason) == (JobState.FAILED, True)
    assert stores.jobs.get("j2").state is JobState.ROUTED


def test_features_keep_name_and_size_and_turn_with_the_part() -> None:
    """Against the features that are found anew in the turned part, from the same mesh."""
    (_, given), *others = summarise_poses(shapes.stl(TALL), fmt="stl", unit="mm")
    for pose, own in others:
        (carried,) = [f for f in carried_features(given, own, pose) if f.kind is FeatureKind.HOLE]
        (found,) = [f for f in own.features if f.kind is FeatureKind.HOLE]
        assert (carried.axis, carried.through) == (found.axis, found.through)
        assert carried.nominal_mm == pytest.approx(found.nominal_mm, abs=0.001)
        assert carried.at_mm == pytest.approx(found.at_mm, abs=0.06)
        assert np.abs(np.dot(carried.direction, found.direction)) == pytest.approx(1.0, abs=1e-6)


def test_parts_are_read_once_and_forgotten_when_room_is_needed(stores: Stores) -> None:
    ids = [stores.parts.put_summary(block(x_mm=float(x))).id for x in (10, 20, 30)]
    size = len(to_json(stores.parts.get(ids[0]).poses))
    known = KnownParts(max_bytes=2 * size + 10)
    assert set(known.of(stores, ids[:2])) == set(ids[:2])
    for one in ids:
        stores.client.delete(stores.keys.part(one))
    assert set(known.of(stores, ids)) == set(ids[:2])  # from memory; the third is gone

    again = stores.parts.put_summary(block(x_mm=30.0)).id
    known.of(stores, [ids[1]])
    known.of(stores, [again])
    assert set(known.of(stores, ids)) == {ids[1], again}
