"""One instance a data folder, also when the one before was killed and its Redis still writes."""

from __future__ import annotations

import os
import stat
import subprocess
import sys

import pytest

from service import folder_lock
from service.folder_lock import LOCK_NAME, FolderInUseError, FolderLock


def test_a_second_instance_is_refused_and_told_who_holds_the_folder(tmp_path):
    with FolderLock(tmp_path), pytest.raises(FolderInUseError, match=rf"process {os.getpid()}\b.*--data"):
        FolderLock(tmp_path)


def test_the_folder_is_free_again_afterwards(tmp_path):
    with FolderLock(tmp_path):
        pass
    with FolderLock(tmp_path):
        assert (tmp_path / LOCK_NAME).read_text() == str(os.getpid())


def test_a_new_folder_is_for_its_owner_only(tmp_path):
    with FolderLock(tmp_path / "shop" / "data"):
        assert stat.S_IMODE((tmp_path / "shop" / "data").stat().st_mode) == 0o700


TAKE_AND_DIE = """
import os, signal, subprocess, sys
from pathlib import Path
from service.folder_lock import FolderLock
lock = FolderLock(Path(sys.argv[1]))
child = subprocess.Popen(["sleep", "1000"], pass_fds=(lock.fd,), start_new_session=True,
                         stdout=subprocess.DEVNULL)
print(child.pid, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def left_behind(tmp_path):
    """A process that inherited the lock of an instance that was killed."""
    command = [sys.executable, "-c", TAKE_AND_DIE, str(tmp_path)]
    pid = int(subprocess.run(command, stdout=subprocess.PIPE, text=True, check=False).stdout)
    yield pid
    subprocess.run(["kill", "-9", str(pid)], check=False, stderr=subprocess.DEVNULL)


def test_the_folder_stays_locked_while_a_process_of_a_killed_instance_lives(left_behind, tmp_path, monkeypatch):
    monkeypatch.setattr(folder_lock, "PREDECESSOR_S", 0.3)
    with pytest.raises(FolderInUseError):
        FolderLock(tmp_path)
    os.kill(left_behind, 9)
    monkeypatch.setattr(folder_lock, "PREDECESSOR_S", 60.0)
    with FolderLock(tmp_path) as lock:
        assert lock.fd >= 0


def test_a_folder_that_cannot_be_made_is_said_in_one_sentence(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(FolderInUseError, match="cannot be used"):
        FolderLock(tmp_path / "file" / "data")
