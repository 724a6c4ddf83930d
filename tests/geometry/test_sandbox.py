"""The child process: the same answer as in this one, and a typed error for every way it can end."""

import os
import threading
import time
from dataclasses import replace

import pytest

from tests.geometry import shapes
from workers.geometry import sandbox
from workers.geometry.errors import (
    AnalysisUnavailableError,
    MeshCrashedError,
    MeshMemoryError,
    MeshRefusedError,
    MeshTimeError,
    MeshTooLargeError,
    MeshTypeError,
)
from workers.geometry.limits import MIB, MeshLimits
from workers.geometry.sandbox import run_poses, run_summary
from workers.geometry.summary import summarise, summarise_poses
from workers.model.errors import InvalidError

PART = shapes.stl(shapes.plate_with_holes([(6.0, 20.0, 20.0)]))
HEAVY = shapes.stl(shapes.torus(20, 5, 400, 200))


def test_the_child_answers_as_the_function_does_and_reports_progress():
    told = []
    summary = run_summary(PART, fmt="stl", unit="mm", progress=lambda *a: told.append(a))
    assert summary == summarise(PART, fmt="stl", unit="mm")
    assert told[0] == ("load", 0)
    assert told[-1] == ("done", 100)


def test_poses_come_back_too():
    part = shapes.stl(shapes.box(4, 6, 9))
    assert run_poses(part, fmt="stl", unit="mm", most=3) == summarise_poses(part, fmt="stl", unit="mm", most=3)


@pytest.mark.parametrize(
    ("data", "options", "kind"),
    [
        (b"", {"fmt": "stl"}, MeshRefusedError),
        (PART[:-7], {"fmt": "stl"}, MeshRefusedError),
        (PART, {"fmt": "obj"}, MeshTypeError),
        (PART, {"fmt": "stl", "limits": MeshLimits(triangles=10)}, MeshTooLargeError),
        (PART, {"fmt": "stl", "limits": MeshLimits(upload_bytes=10)}, MeshTooLargeError),
        (PART, {"fmt": "stl", "unit": "furlong"}, InvalidError),
    ],
)
def test_refusals_keep_their_type_and_words(data, options, kind):
    options = {"unit": "mm", **options}
    with pytest.raises(kind) as there:
        run_summary(data, **options)
    with pytest.raises(kind) as here:
        summarise(data, **options)
    assert (type(there.value), there.value.detail) == (type(here.value), here.value.detail)


def test_an_analysis_that_takes_too_long_is_stopped():
    begun = time.monotonic()
    with pytest.raises(MeshTimeError, match=r"longer than 0\.2 s, the limit"):
        run_summary(HEAVY, fmt="stl", unit="mm", limits=MeshLimits(seconds=0.2))
    assert time.monotonic() - begun < 20  # no hang; not a measurement


@pytest.mark.parametrize("mib", [64, 160])
def test_an_analysis_that_needs_too_much_memory_is_stopped_and_says_the_limit(mib):
    with pytest.raises(MeshMemoryError, match=f"more than {mib} MiB"):
        run_summary(HEAVY, fmt="stl", unit="mm", limits=MeshLimits(memory_bytes=mib * MIB))


@pytest.mark.parametrize(
    ("program", "kind"),
    [
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", MeshCrashedError),
        ("import os; os._exit(3)", MeshCrashedError),
        ("print('not json at all', flush=True)", MeshCrashedError),
        ("import time; time.sleep(60)", MeshTimeError),
        ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", MeshMemoryError),
        ("import sys; sys.stderr.write('std::bad_alloc'); sys.exit(1)", MeshMemoryError),
        ('while True: print(\'{"progress": ["x", 1]}\' * 1)', MeshRefusedError),
    ],
)
def test_every_end_of_the_child_is_a_typed_error(monkeypatch, program, kind):
    started = sandbox.subprocess.Popen

    def instead(command, **options):
        return started([command[0], "-c", program], **options)

    monkeypatch.setattr(sandbox.subprocess, "Popen", instead)
    monkeypatch.setattr(sandbox, "_START_S", 0.0)
    with pytest.raises(kind):
        run_summary(PART, fmt="stl", unit="mm", limits=MeshLimits(seconds=3))


def test_a_child_that_cannot_start_is_not_the_meshs_fault(monkeypatch):
    monkeypatch.setattr(sandbox.sys, "executable", "/nowhere/python")
    with pytest.raises(AnalysisUnavailableError):
        run_summary(PART, fmt="stl", unit="mm")


def test_no_child_is_left_behind_when_the_caller_breaks_off():
    before = children()

    def stop(_phase, _percent):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_summary(HEAVY, fmt="stl", unit="mm", progress=stop)
    assert children() == before


def test_several_threads_may_analyse_at_once():
    answers = []
    threads = [
        threading.Thread(target=lambda: answers.append(run_summary(PART, fmt="stl", unit="mm"))) for _ in range(3)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == 3
    assert len(set(answers)) == 1


def test_the_child_gets_no_secrets_from_the_environment(monkeypatch):
    monkeypatch.setenv("SHOP_TOKEN", "secret")
    assert "SHOP_TOKEN" not in sandbox._environment()


def test_limits_travel_to_the_child():
    with pytest.raises(MeshTooLargeError, match=r"between 0\.01 and 50 mm"):
        run_summary(PART, fmt="stl", unit="mm", limits=replace(MeshLimits(), largest_mm=50.0))


def children():
    import subprocess

    listed = subprocess.run(
        ["ps", "-o", "pid=,stat=,args=", "--ppid", str(os.getpid())], capture_output=True, text=True, check=False
    )
    return [line for line in listed.stdout.splitlines() if "workers.geometry.child" in line]
