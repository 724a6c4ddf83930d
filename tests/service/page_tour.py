"""A shop with something on every kind of page, and the way to each: for what must hold everywhere."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Flask

from tests.geometry import shapes
from tests.service import trial_bodies
from tests.service.demo_shop import AppClient, Renamed, hand_in_demo_jobs, load_demo_shop
from workers import tasks
from workers.model.outcome import Report
from workers.store.claims import Taking
from workers.store.stores import Stores
from workers.tasks import record_outcome

PLATE = shapes.stl(shapes.plate_with_holes([(6.0, 15.0, 20.0), (3.2, 40.0, 12.0), (10.0, 45.0, 28.0)]))


def long_named(name: str) -> str:
    """80 letters without a space, as a shop may call its things."""
    return (name.replace(" ", "") + "Unterbrechungsfreibezeichnungsträger" * 3)[:80]


def paths_of(app: Flask, renamed: Renamed = str) -> dict[str, str]:
    """Fills the store of an open app; gives a path of each kind of page by name."""
    load_demo_shop(app, renamed)
    client, stores = AppClient(app, renamed), app.extensions["borewright"].stores
    ids = hand_in_demo_jobs(app, renamed)
    tasks.drain_and_bind(stores, "tour")
    trial_id, study_id = _trial(app, client), _study(client, stores)
    refused, part, waiting = _parts(app, stores)
    busy, other, outcomes = _floor(stores)
    plan = client.post("/v1/plans", {"seconds": 1})["id"]
    assert tasks.run_next(stores, "planner") == f"plan/{plan}"
    late = client.post("/v1/plans", {"seconds": 1})["id"]
    job_id, source = _waiting_job(stores)
    return {
        "shop": "/",
        "queue": "/queue",
        "plans": "/plans",
        "plan": f"/plans/{plan}",
        "plan-waiting": f"/plans/{late}",
        "hand-in": "/hand-in",
        "part": f"/hand-in/parts/{part}",
        "part-refused": f"/hand-in/parts/{refused}",
        "part-waiting": f"/hand-in/parts/{waiting}",
        "coverage": "/coverage",
        "trials": "/bore-trials",
        "trial-new": "/bore-trials/new",
        "trial": f"/bore-trials/{trial_id}",
        "studies": "/line-up-studies",
        "study": f"/line-up-studies/{study_id}",
        "evidence": "/evidence",
        "models": "/models",
        "machine": f"/machines/{other}",
        "machine-idle": f"/machines/{busy}",
        "machine-down": "/machines/signal-loft",
        "claim": "/claims/c1",
        "claim-over": "/claims/c0",
        "outcome": f"/outcomes/{outcomes[0]}",
        "move": f"/machines/{source}/move?job_id={job_id}&position=best",
        "job": f"/jobs/{ids['Guide for a 5 mm pin']}",
        "job-lettered": f"/jobs/{ids['Lettered tag for a valve']}",
        "job-filled": f"/jobs/{ids['Davit bracket, load-bearing']}",
        "job-unroutable": f"/jobs/{ids['Full-length cable trough']}",
    }


# Pages that tell of a failure, with their status.
PROBLEMS: Mapping[str, tuple[str, int]] = {
    "no-job": ("/jobs/none", 404),
    "no-page": ("/no/such/page", 404),
    "no-state": ("/queue?state=odd", 404),
    "no-link": ("/shared/none/none?key=none", 404),
}


def _trial(app: Flask, client: AppClient) -> str:
    asked = trial_bodies.trial(bores_mm=[0.4, 0.6], material_ids=["petg"], machine_ids=["bollard"], replicates=2)
    trial: dict[str, Any] = client.post("/v1/bore-trials", asked)
    path = f"/v1/bore-trials/{trial['id']}"
    client.post(f"{path}/start", {})
    for _ in trial["runs"]:
        runs = app.test_client().get(path).get_json()["runs"]
        run = next(one for one in runs if one["job_id"] and not one["result"])
        size = {0.4: 8.03, 0.6: 7.85}[run["bore_mm"]] + 0.003 * (run["number"] % 3)
        sizes = [{"name": "hole 8", "measured_mm": round(size, 3)}]
        client.post(f"{path}/runs/{run['number']}/result", trial_bodies.result(sizes=sizes))
    return str(trial["id"])


def _study(client: AppClient, stores: Stores) -> str:
    offer = {"name": "0.3 hardened", "bore_mm": 0.3, "tip": "hardened-steel", "fitting": "short-stem", "price": 20}
    asked = {"name": "Is a 0.3 worth it?", "source": "queue", "offers": [offer], "time_limit_s": 2}
    study = client.post("/v1/line-up-studies", asked)["id"]
    assert tasks.run_next(stores, "planner") == f"line-up-study/{study}"
    return str(study)


def _parts(app: Flask, stores: Stores) -> tuple[str, str, str]:
    """A part that is refused, one that is analysed, and one whose analysis has begun."""

    def give(data: bytes, name: str) -> str:
        from io import BytesIO

        answer = app.test_client().post("/v1/parts", data={"file": (BytesIO(data), name), "unit": "mm"})
        assert answer.status_code == 202, answer.text
        return str(answer.get_json()["id"])

    refused, part = give(b"#!/bin/sh\nreboot\n" * 50, "part.stl"), give(PLATE, "carrier.stl")
    for _ in range(2):
        assert tasks.analyse_next(stores, "tour") is not None
    waiting = give(PLATE + b"\0", "carrier again.stl")
    claim = stores.analyses.claim("tour", 600)
    assert claim is not None
    stores.analyses.progress(claim, "curves", 40.0)
    return refused, part, waiting


def _floor(stores: Stores) -> tuple[str, str, list[str]]:
    """A machine that has printed a copy, out of line; one with a copy in the works; and the outcomes."""
    busy, other = [m for m in stores.dispatch.machines() if stores.dispatch.get(m).listed][:2]
    for number, machine in enumerate((busy, other)):
        stores.claims.take(Taking(machine_id=machine, claimant="Night shift", lease_s=36_000, claim_id=f"c{number}"))
    stores.claims.finish("c0", Report(accepted=True, print_h=900.0))
    outcome = record_outcome(stores, "c0")
    assert outcome is not None
    assert outcome.flags
    return busy, other, [outcome.id]


def _waiting_job(stores: Stores) -> tuple[str, str]:
    """A job that waits, and the machine that it waits on."""
    for machine_id in stores.dispatch.machines():
        for listed in stores.dispatch.get(machine_id).listed:
            if listed.waiting:
                return listed.entry.job_id, machine_id
    raise AssertionError("nothing waits")
