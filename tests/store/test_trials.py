"""Bore trials in the store: changes under races, runs handed in once, photographs within their room."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from tests import builders as make
from tests.planning.trials import simulated
from workers import tasks
from workers.model.errors import ConflictError, InvalidError, NotFoundError, VersionMismatchError
from workers.model.trial import Photo, RunResult, TrialState
from workers.store import trials as kept
from workers.store.stores import open_stores

DATA = b"\x89PNG"


@pytest.fixture
def stores(redis_client):
    found = open_stores(redis_client)
    shop = simulated.shop()
    for thing in (*shop.machines, *shop.nozzles, *shop.materials, *shop.spools):
        found.fleet.create(thing)
    return found


@pytest.fixture
def trial(stores):
    return stores.trials.create(replace(simulated.planned(), id=stores.trials.new_id()))


def running(stores, trial):
    return stores.trials.change(trial.id, "started", lambda one: replace(one, state=TrialState.RUNNING))


def photo(size: int) -> Photo:
    return Photo(media_type="image/png", size_bytes=size, width_px=1, height_px=1, sha256="0" * 64)


def test_a_trial_comes_back_as_it_was_kept(stores, trial):
    assert stores.trials.get(trial.id) == trial
    with pytest.raises(NotFoundError):
        stores.trials.get("nothing")


def test_a_change_raises_the_version_and_a_stale_one_is_refused(stores, trial):
    def require(version):
        if version != 1:
            raise VersionMismatchError("stale")

    assert stores.trials.change(trial.id, "started", lambda one: one, expected=require).version == 2
    with pytest.raises(VersionMismatchError):
        stores.trials.change(trial.id, "started", lambda one: one, expected=require)


def test_changes_made_at_once_are_all_kept(stores, trial):
    def report(number):
        def decide(one):
            result = RunResult(at=1.0, accepted=True, note=str(number))
            return one.with_run(replace(one.run(number), result=result))

        return stores.trials.change(trial.id, "result", decide)

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(report, range(1, 13)))
    now = stores.trials.get(trial.id)
    assert now.version == 13
    assert [run.number for run, _ in now.measured()] == list(range(1, 13))


def test_only_running_trials_are_looked_at(stores, trial):
    assert stores.trials.running() == []
    running(stores, trial)
    assert stores.trials.running() == [trial.id]
    stores.trials.change(trial.id, "closed", lambda one: replace(one, state=TrialState.CLOSED))
    assert stores.trials.running() == []


def test_runs_are_handed_in_once_whoever_tries(stores, trial):
    running(stores, trial)
    with ThreadPoolExecutor(6) as pool:
        handed_in = sum(pool.map(lambda _: tasks.advance_trial(stores, trial.id), range(6)))
    machines = len(trial.plan.machine_ids)
    assert handed_in == machines
    jobs = stores.jobs.page().items
    assert len(jobs) == machines
    assert {job.id for job in jobs} == {run.job_id for run in stores.trials.get(trial.id).runs if run.job_id}


def test_several_runs_ahead_are_handed_in_together(stores):
    planned = simulated.planned(ahead=3)
    trial = stores.trials.create(replace(planned, id=stores.trials.new_id()))
    running(stores, trial)
    assert tasks.advance_trial(stores, trial.id) == 3 * len(trial.plan.machine_ids)
    assert tasks.advance_trial(stores, trial.id) == 0


def test_a_run_that_could_not_be_routed_is_tried_again_when_the_shop_changes(stores, trial):
    running(stores, trial)
    tasks.advance_trial(stores, trial.id)
    run = next(one for one in stores.trials.get(trial.id).runs if one.job_id)
    nozzle = next(one for one in stores.fleet.snapshot().nozzles if one.id == run.nozzle_id)
    stores.fleet.replace(replace(nozzle, machine_id=None, slot=None), nozzle.version)
    tasks.drain_and_bind(stores, "test")
    assert stores.jobs.get(run.job_id).state == "unroutable"
    assert not tasks.watch_trials(stores)
    assert stores.jobs.get(run.job_id).state == "unroutable"
    stores.fleet.replace(replace(nozzle, version=2), 2)
    tasks.watch_trials(stores)
    tasks.drain_and_bind(stores, "test")
    assert stores.jobs.get(run.job_id).state == "bound"


def test_photographs_have_room_up_to_the_limit_of_the_trial(stores, trial, monkeypatch):
    monkeypatch.setattr(kept, "PHOTOS_LIMIT_BYTES", 10)
    assert stores.trials.put_photo(trial.id, 1, photo(4), DATA).run(1).photo.size_bytes == 4
    assert stores.trials.photo(trial.id, 1) == DATA
    stores.trials.put_photo(trial.id, 2, photo(4), DATA)
    with pytest.raises(InvalidError):
        stores.trials.put_photo(trial.id, 3, photo(4), DATA)
    stores.trials.put_photo(trial.id, 2, None, b"")
    stores.trials.put_photo(trial.id, 3, photo(4), DATA)
    with pytest.raises(NotFoundError):
        stores.trials.photo(trial.id, 2)


def test_a_cancelled_trial_takes_no_photograph(stores, trial):
    stores.trials.change(trial.id, "cancelled", lambda one: replace(one, state=TrialState.CANCELLED))
    with pytest.raises(ConflictError):
        stores.trials.put_photo(trial.id, 1, photo(4), DATA)


def test_an_ordinary_job_is_not_held_up_by_a_trial(stores, trial):
    """A trial keeps one run of each machine on its list; what is urgent still goes ahead by the usual rule."""
    running(stores, trial)
    tasks.advance_trial(stores, trial.id)
    [job_id] = stores.jobs.accept([make.job(summary=make.block(20.0, 20.0, 5.0), priority=50)])
    tasks.drain_and_bind(stores, "test")
    machine = next(one for one in stores.dispatch.machines() if job_id in _ids(stores, one))
    assert _ids(stores, machine)[0] == job_id


def _ids(stores, machine_id):
    return [one.entry.job_id for one in stores.dispatch.get(machine_id).listed]
