"""The clocks of all processes are put forward by a day, and back again: on the real processes."""

from __future__ import annotations

import time
from pathlib import Path

from tests.service.faults.faulty import SETTLED, Service
from tests.service.faults.test_disk import stl, upload
from tests.service.processes import wait_until

DAY_S = 86_400


def test_a_clock_put_forward_and_back_by_a_day_holds_nothing_up(service: Service, clock: Path) -> None:
    claim = take(service)
    step(service, clock, DAY_S)
    routed_soon(service)
    renewed = service.ask("POST", f"/v1/claims/{claim}/renewal", {"progress": 0.5})
    assert (renewed.status, renewed.json["state"]) == (200, "held")  # it had lapsed, and its copy is its own again

    plan = service.ask("POST", "/v1/plans", {"seconds": 1}).json["id"]
    part = upload(service, stl("in the old time")).json["id"]
    step(service, clock, 0)
    routed_soon(service)
    service.run.wait_for_log(r"the store's clock was put back; what runs on it is moved along by_s=8")
    wait_until(lambda: state(service, f"/v1/parts/{part}") == "analysed", "the analysis")
    wait_until(lambda: state(service, f"/v1/plans/{plan}") == "done", "the plan")
    held = service.ask("GET", f"/v1/claims/{claim}").json
    assert held["state"] == "held"
    given = service.ask("POST", f"/v1/claims/{claim}/giving-back", {"reason": "the clock test is over"})
    assert given.status == 200, given.body


def test_what_is_handed_in_while_the_clock_goes_back_is_not_left_waiting(service: Service, clock: Path) -> None:
    """Locks, bells and waiting things carry moments of the old time: they must not be waited for."""
    step(service, clock, DAY_S)
    with service.stopped(service.pid("geometry-worker-1"), service.pid("planning-worker-1")):
        plan = service.ask("POST", "/v1/plans", {"seconds": 1}).json["id"]
        step(service, clock, 0)
    wait_until(lambda: state(service, f"/v1/plans/{plan}") == "done", "the plan")


def step(service: Service, clock: Path, seconds: int) -> None:
    """Set all clocks, and wait until the store goes by it."""
    clock.write_text(f"+{seconds}s")
    wait_until(lambda: abs(service.redis.time()[0] - time.time() - seconds) < 5, "the store's new time")


def routed_soon(service: Service) -> None:
    job_id = service.hand_in().json["id"]
    began = time.monotonic()
    wait_until(lambda: state(service, f"/v1/jobs/{job_id}") in SETTLED, "a job routed")
    assert time.monotonic() - began < 20  # not once a lock of the old time has run out


def take(service: Service) -> str:
    wait_until(lambda: state(service, f"/v1/jobs/{service.kept[0]}") == "bound", "a job bound")
    taken = service.ask("POST", "/v1/claims", {"machine_id": "alder", "claimant": "agent", "lease_s": 60})
    assert taken.status == 201, taken.body
    return str(taken.json["id"])


def state(service: Service, path: str) -> str:
    answer = service.ask("GET", path)
    assert answer.status == 200, answer.body
    return str(answer.json["state"])
