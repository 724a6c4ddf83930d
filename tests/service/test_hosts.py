"""The service on several hosts, and what happens when the network between them breaks.

Real processes in network namespaces, configured by the environment, the commands and the flags of docker-compose.yml.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.service.customers import require_each_routed_once
from tests.service.fleet import Fleet, fleet, in_hand
from tests.service.hosts import require_namespaces
from tests.service.processes import wait_until

A, B = "wkr-a", "wkr-b"


@pytest.fixture(scope="module")
def hosts(redis_binary: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    require_namespaces()
    with fleet(tmp_path_factory.mktemp("hosts"), redis_binary) as made:
        yield made


def require_back(hosts: Fleet, worker: str = B) -> None:
    """The host is heard of and takes jobs again, without anybody's help; every job so far is where it belongs."""
    wait_until(lambda: hosts.routing_workers() == 2, "both workers heard of")
    assert hosts.processes[worker].process.poll() is None  # the same process all along
    wait_until(lambda: takes_part(hosts, worker), f"{worker} taking jobs")
    require_sound(hosts)


def takes_part(hosts: Fleet, worker: str) -> bool:
    hosts.hand_in(260)

    def look(stores) -> bool:
        while stores.inbox.waiting():
            if in_hand(stores, worker):
                return True
        return False

    return bool(hosts.at_the_store(look))


def require_sound(hosts: Fleet) -> None:
    hosts.at_the_store(lambda stores: require_each_routed_once(stores, hosts.handed_in))


def test_jobs_handed_in_at_the_api_are_routed_by_the_workers_of_two_other_hosts(hosts: Fleet) -> None:
    for name in (A, B):
        require_back(hosts, name)
    assert {name: hosts.is_healthy(name) for name in (A, B)} == {A: True, B: True}
    heard = [labels[1:] for labels in hosts.metrics() if labels[0] == "borewright_worker_silent_seconds"]
    assert sorted(heard) == [("routing", f"{name}.{name}-routing") for name in (A, B)]


def test_a_worker_host_lost_in_mid_batch_is_told_of_replaced_and_comes_back(hosts: Fleet) -> None:
    with hosts.cut_in_mid_batch(B, hosts.workers[B].packets_dropped("store")):
        held = hosts.at_the_store(lambda stores: in_hand(stores, B))
        later = hosts.hand_in(40)
        wait_until(lambda: hosts.all_bound(later), "the other host going on")
        assert hosts.at_the_store(lambda stores: in_hand(stores, B)) == held > 0  # nobody has taken them over yet
        wait_until(lambda: hosts.routing_workers() == 1, "the metrics telling the loss")
        assert hosts.metrics()["borewright_worker_silent_seconds", "routing", f"{B}.{B}-routing"] > 10
        assert not hosts.is_healthy(B)
        assert hosts.ask("GET", "/readyz")[0] == 200  # jobs are accepted and routed
        wait_until(lambda: hosts.all_bound(hosts.handed_in), "the lost host's jobs routed by the other")
    require_back(hosts)


def test_a_short_cut_in_mid_batch_is_made_good_by_the_host_itself(hosts: Fleet) -> None:
    with hosts.cut_in_mid_batch(B, hosts.workers[B].link_down("store")):
        held = hosts.at_the_store(lambda stores: in_hand(stores, B))
        later = hosts.hand_in(40)
        wait_until(lambda: hosts.all_bound(later), "the other host going on")
    assert held > 0
    wait_until(lambda: hosts.all_bound(hosts.handed_in), "the jobs that it held")
    require_back(hosts)


def test_an_idle_worker_host_lost_unseen_holds_up_nothing(hosts: Fleet) -> None:
    """The store may still call on the lost one, which waits for work as far as it knows: the call is repeated."""
    with hosts.workers[B].packets_dropped("store"):
        for _ in range(2):  # the store calls on who waits longest: on the lost one by the second time
            later = hosts.hand_in(1)
            wait_until(lambda later=later: hosts.all_bound(later), "a job routed without the lost host")
    require_back(hosts)


def test_an_api_host_without_its_store_says_so_and_serves_again_by_itself(hosts: Fleet) -> None:
    """503 as a problem to all of many callers at once, each within the 20 s that ``ask`` waits for its answer."""
    asked = [("POST", "/v1/jobs", {"name": "lost"}), ("GET", "/readyz", None), ("GET", "/v1/machines", None)] * 4
    with hosts.api.packets_dropped("store"), ThreadPoolExecutor(len(asked)) as callers:
        answers = list(callers.map(lambda one: hosts.ask(*one), asked))
        assert hosts.ask("GET", "/healthz")[0] == 200
    assert {status for status, _ in answers} == {503}
    assert {answer["status"] for _, answer in answers} == {503}
    assert len({answer["type"] for _, answer in answers}) == 1
    wait_until(lambda: hosts.ask("GET", "/readyz")[0] == 200, "the API by itself")
    require_sound(hosts)
    later = hosts.hand_in(3)
    wait_until(lambda: hosts.all_bound(later), "jobs routed as before")


def test_nothing_of_the_machine_s_own_network_was_touched(hosts: Fleet) -> None:
    """Links of the test would show among the machine's own; its namespaces have names of their own."""
    own = subprocess.run(["ip", "-o", "link"], capture_output=True, text=True, check=True).stdout
    assert "store-" not in own
    assert "front-" not in own
