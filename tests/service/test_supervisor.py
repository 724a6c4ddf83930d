"""The supervisor, with real processes: order, restart, back-off, and that nothing is left behind."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import contextmanager

import pytest

from service.child import BackOff
from service.supervisor import exit_words
from tests.service.processes import running, wait_until

HEAD = """
import os, signal, sys
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # a test run under nohup would hand its deaf ear down
from pathlib import Path
from service.child import BackOff, Child
from service.log import configure_logging
from service.supervisor import Supervisor
configure_logging("INFO")
def sh(name, script, **more):
    return Child(name=name, command=("/bin/sh", "-c", script), **more)
def run(*children, **more):
    more.setdefault("back_off", BackOff(first_s=0.05, longest_s=0.4, steady_s=60.0))
    more.setdefault("on_ready", lambda: print("all ready", flush=True))
    sys.exit(Supervisor(children, **more).run())
"""


@contextmanager
def supervised(tmp_path, body):
    """Run a supervisor of stand-in children in a process of its own."""
    with running([sys.executable, "-c", HEAD + body], tmp_path / "log", FOLDER=str(tmp_path)) as started:
        yield started


def test_a_killed_child_is_restarted_and_the_log_says_so(tmp_path):
    with supervised(tmp_path, 'run(sh("steady", "exec sleep 1000"), sh("other", "exec sleep 1000"))') as up:
        up.wait_for_log("all ready")
        first, other = up.pid_of("steady"), up.pid_of("other")
        os.kill(first, signal.SIGKILL)
        up.wait_for_log(r"ERROR .*child ended child=steady end=SIGKILL pid=\d+ up_s=\S+ restart_in_s=0\.05")
        up.wait_for_log("child restarted child=steady")
        assert up.pid_of("steady") != first
        assert up.pid_of("other") == other
        assert up.stop() == 0


def test_the_wait_before_a_restart_doubles_up_to_its_limit(tmp_path):
    # Ready once (the first life lasts until it is killed), then it fails at every start.
    script = 'test -e "$FOLDER/again" && exit 7; touch "$FOLDER/again"; exec sleep 1000'
    with supervised(tmp_path, f"run(sh('failing', {script!r}))") as up:
        up.wait_for_log("all ready")
        wait_until((tmp_path / "again").exists, "the first life")
        os.kill(up.pid_of("failing"), signal.SIGKILL)
        waits = up.wait_for_log(r"child ended child=failing .*restart_in_s=(\S+)", times=6)
        assert waits[:6] == ["0.05", "0.1", "0.2", "0.4", "0.4", "0.4"]
        assert "end='exit 7'" in up.log
        assert up.stop() == 0


def test_a_child_that_was_up_for_long_starts_again_from_the_first_wait(tmp_path):
    body = 'run(sh("rare", "sleep 0.6; exit 1"), back_off=BackOff(first_s=0.05, longest_s=9.0, steady_s=0.3))'
    with supervised(tmp_path, body) as up:
        waits = up.wait_for_log(r"child ended child=rare .*restart_in_s=(\S+)", times=3)
        assert set(waits) == {"0.05"}


def test_a_start_that_never_succeeds_is_given_up(tmp_path):
    with supervised(tmp_path, 'run(sh("hopeless", "exit 3", ready=lambda pid: False))') as up:
        up.wait_for_log("giving up the start child=hopeless failures=5")
        assert up.process.wait(60) == 1
        assert up.log.count("child=hopeless end='exit 3'") == 5
        assert "all ready" not in up.log


def test_a_command_that_does_not_exist_is_said_and_given_up(tmp_path):
    with supervised(tmp_path, 'run(Child(name="absent", command=("/nowhere/program",)))') as up:
        assert up.process.wait(60) == 1
        assert "/nowhere/program" in up.log


def test_a_stage_starts_when_the_one_before_is_ready(tmp_path):
    body = """
gate = Path(os.environ["FOLDER"]) / "gate"
run(sh("late", "exec sleep 1000", stage=1),
    sh("early", "exec sleep 1000", stage=0, ready=lambda pid: gate.exists()))
"""
    with supervised(tmp_path, body) as up:
        up.wait_for_log("child started child=early")
        assert "child=late" not in up.log
        (tmp_path / "gate").touch()
        up.wait_for_log("all ready")
        assert up.log.index("child ready child=early") < up.log.index("child started child=late")


def test_children_end_stage_by_stage_the_last_first(tmp_path):
    script = 'trap \'echo {0} >> "$FOLDER/order"; exit 0\' TERM; touch "$FOLDER/{0}"; while :; do sleep 0.02; done'
    children = ", ".join(
        f"sh({name!r}, {script.format(name)!r}, stage={stage}, ready=lambda pid: "
        f"(Path(os.environ['FOLDER']) / {name!r}).exists())"
        for stage, name in enumerate(("store", "worker", "face"))
    )
    with supervised(tmp_path, f"run({children})") as up:
        up.wait_for_log("all ready")
        assert up.stop() == 0
        assert (tmp_path / "order").read_text().split() == ["face", "worker", "store"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_stop_leaves_no_process_behind(tmp_path, number):
    # The second child leaves a grandchild behind that it never waits for; the third does not listen to SIGTERM.
    body = """
run(sh("plain", "exec sleep 1000"),
    sh("parent", "sleep 1000 & exec sleep 1000"),
    sh("deaf", "trap '' TERM; touch $FOLDER/deaf; while :; do sleep 0.1; done", stop_s=0.5,
       ready=lambda pid: (Path(os.environ["FOLDER"]) / "deaf").exists()))
"""
    with supervised(tmp_path, body) as up:
        up.wait_for_log("all ready")
        wait_until(lambda: len(up.descendants()) >= 4, "all four processes")
        assert up.stop(number) == 0
        assert up.descendants() == set()
        assert "child did not end in time and is killed child=deaf" in up.log


def test_what_a_dead_child_left_behind_is_ended_before_its_successor_starts(tmp_path):
    script = 'sleep 1000 & echo $! >> "$FOLDER/grandchildren"; wait'
    with supervised(tmp_path, f"run(sh('parent', {script!r}))") as up:
        file = tmp_path / "grandchildren"
        wait_until(lambda: file.exists() and file.read_text().strip(), "the grandchild")
        os.kill(up.pid_of("parent"), signal.SIGKILL)
        up.wait_for_log("child restarted")
        wait_until(lambda: len(file.read_text().split()) == 2, "the second grandchild")
        wait_until(lambda: len(up.descendants()) <= 2, "the first grandchild's end")
        assert up.stop() == 0


def test_children_die_with_a_supervisor_that_is_killed_outright(tmp_path):
    with supervised(tmp_path, 'run(sh("one", "exec sleep 1000"), sh("two", "exec sleep 1000"))') as up:
        up.wait_for_log("all ready")
        assert len(up.descendants()) == 2
        up.stop(signal.SIGKILL)
        wait_until(lambda: not up.descendants(), "the children's end")


def test_a_stop_during_a_start_that_hangs_is_heard(tmp_path):
    with supervised(tmp_path, 'run(sh("slow", "exec sleep 1000", ready=lambda pid: False))') as up:
        up.wait_for_log("child started child=slow")
        assert up.stop() == 0
        assert up.descendants() == set()


def test_the_waits_are_bounded_however_often_a_child_fails():
    back_off = BackOff()
    assert [back_off.delay_s(n) for n in range(1, 9)] == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0]
    assert back_off.delay_s(10_000) == 30.0


def test_an_end_is_told_in_words():
    assert [exit_words(0), exit_words(3), exit_words(-9), exit_words(-200)] == [
        "exit 0",
        "exit 3",
        "SIGKILL",
        "signal 200",
    ]
