"""Children forked from a process that has everything imported: the same answers and ends as children started anew."""

import os
import signal
import threading
import time

import pytest

from tests.geometry import shapes
from workers.geometry import sandbox
from workers.geometry.errors import (
    AnalysisUnavailableError,
    MeshCrashedError,
    MeshMemoryError,
    MeshRefusedError,
    MeshTimeError,
)
from workers.geometry.limits import MIB, MeshLimits
from workers.geometry.sandbox import run_poses, run_summary
from workers.geometry.summary import summarise, summarise_poses

PART = shapes.stl(shapes.plate_with_holes([(6.0, 20.0, 20.0)]))
HEAVY = shapes.stl(shapes.torus(20, 5, 400, 200))


@pytest.fixture(autouse=True, scope="module")
def _warm():
    sandbox.keep_warm()
    yield
    sandbox.let_cool()


def server():
    return sandbox._warm.pid


def forks():
    """Processes of the server that are still there."""
    with open(f"/proc/{server()}/task/{server()}/children") as listed:
        return [int(pid) for pid in listed.read().split()]


def until(true, what):
    end = time.monotonic() + 20
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.01)


def ended_by(act):
    """What comes of an analysis when ``act`` is done to it in the midst."""
    outcome = []

    def told(phase, _percent):
        if phase == "curves" and not outcome:
            outcome.append(act())

    with pytest.raises(Exception) as raised:  # noqa: PT011 - the callers look at the kind
        run_summary(HEAVY, fmt="stl", unit="mm", progress=told)
    return raised.value


def test_the_fork_answers_as_the_function_does_and_reports_progress():
    told = []
    summary = run_summary(PART, fmt="stl", unit="mm", progress=lambda *a: told.append(a))
    assert summary == summarise(PART, fmt="stl", unit="mm")
    assert (told[0], told[-1]) == (("load", 0), ("done", 100))
    box = shapes.stl(shapes.box(4, 6, 9))
    assert run_poses(box, fmt="stl", unit="mm", most=3) == summarise_poses(box, fmt="stl", unit="mm", most=3)


def test_one_server_serves_them_all_and_none_is_left_behind():
    before = server()
    for _ in range(3):
        run_summary(PART, fmt="stl", unit="mm")
        with pytest.raises(MeshRefusedError):
            run_summary(PART[:-7], fmt="stl", unit="mm")
    assert server() == before
    until(lambda: not forks(), "the last fork is reaped")


def test_limits_of_time_and_memory_are_those_of_each_fork():
    with pytest.raises(MeshTimeError, match=r"longer than 0\.2 s, the limit"):
        run_summary(HEAVY, fmt="stl", unit="mm", limits=MeshLimits(seconds=0.2))
    for mib in (64, 300):
        with pytest.raises(MeshMemoryError, match=f"more than {mib} MiB"):
            run_summary(HEAVY, fmt="stl", unit="mm", limits=MeshLimits(memory_bytes=mib * MIB))
    assert run_summary(PART, fmt="stl", unit="mm").volume_mm3 > 0


@pytest.mark.parametrize(("number", "kind"), [(signal.SIGSEGV, MeshCrashedError), (signal.SIGKILL, MeshMemoryError)])
def test_a_fork_that_dies_ends_its_own_analysis_only(number, kind):
    before = server()
    assert type(ended_by(lambda: [os.kill(pid, number) for pid in forks()])) is kind
    assert server() == before
    assert run_summary(PART, fmt="stl", unit="mm").volume_mm3 > 0


def test_a_server_that_dies_is_not_the_meshs_fault_and_another_takes_its_place():
    before, seen = server(), []

    def kill():
        seen.extend(forks())
        os.kill(before, signal.SIGKILL)

    assert type(ended_by(kill)) is AnalysisUnavailableError
    assert seen
    until(lambda: not any(_runs(pid) for pid in seen), "its forks end with it")
    assert run_summary(PART, fmt="stl", unit="mm").volume_mm3 > 0
    assert server() not in (None, before)


def test_a_caller_that_breaks_off_leaves_no_fork():
    def stop():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_summary(HEAVY, fmt="stl", unit="mm", progress=lambda *_: stop())
    until(lambda: not forks(), "the fork is killed")


def test_several_threads_may_analyse_at_once():
    answers = []
    threads = [
        threading.Thread(target=lambda: answers.append(run_summary(PART, fmt="stl", unit="mm"))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == 4
    assert len(set(answers)) == 1


def test_the_server_keeps_to_one_thread_and_to_few_open_files():
    """Forking beside threads is unsafe; what is left open after a mesh would run out."""
    run_summary(PART, fmt="stl", unit="mm")
    until(lambda: not forks(), "the last fork is reaped")
    with open(f"/proc/{server()}/status") as status:
        assert "Threads:\t1\n" in status.read()
    before = len(os.listdir(f"/proc/{server()}/fd"))
    for _ in range(5):
        run_summary(PART, fmt="stl", unit="mm")
    until(lambda: not forks(), "the last fork is reaped")
    assert len(os.listdir(f"/proc/{server()}/fd")) == before


def test_without_the_server_children_are_started_anew(monkeypatch):
    monkeypatch.setattr(sandbox, "_warm", None)
    assert run_summary(PART, fmt="stl", unit="mm").volume_mm3 > 0


def test_a_server_that_cannot_start_is_not_the_meshs_fault(monkeypatch):
    monkeypatch.setattr(sandbox, "_warm", sandbox.WarmServer({}))
    monkeypatch.setattr("workers.geometry.warm.sys.executable", "/nowhere/python")
    with pytest.raises(AnalysisUnavailableError):
        run_summary(PART, fmt="stl", unit="mm")


def _runs(pid):
    try:
        with open(f"/proc/{pid}/stat") as stat:
            return stat.read().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False
