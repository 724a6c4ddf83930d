"""With BOREWRIGHT_REQUIRE_ALL a skipped test is a failed test."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SUITE = """
import pytest
def test_runs(): pass
@pytest.mark.skip(reason="no browser here")
def test_skipped(): pass
@pytest.mark.xfail(reason="known")
def test_known(): assert False
"""


def run_suite(tmp_path, text, **environ):
    (tmp_path / "test_suite.py").write_text(text)
    command = [sys.executable, "-m", "pytest", "-p", "tests.conftest", "-p", "no:cacheprovider", "-c", os.devnull]
    clean = {name: value for name, value in os.environ.items() if name != "BOREWRIGHT_REQUIRE_ALL"}
    return subprocess.run(
        [*command, "--rootdir", str(tmp_path), str(tmp_path)],
        cwd=ROOT,
        env=clean | environ,
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_skip_is_only_a_skip_on_a_developer_s_machine(tmp_path):
    done = run_suite(tmp_path, SUITE)
    assert done.returncode == 0
    assert "1 passed, 1 skipped, 1 xfailed" in done.stdout


def test_a_skip_fails_where_everything_must_run(tmp_path):
    done = run_suite(tmp_path, SUITE, BOREWRIGHT_REQUIRE_ALL="1")
    assert done.returncode == 1
    assert "1 passed, 1 xfailed, 1 error" in done.stdout
    assert "no browser here" in done.stdout


@pytest.mark.parametrize(
    "how", ["pytest.importorskip('no_such_module')", "pytest.skip('all', allow_module_level=True)"]
)
def test_a_module_that_skips_itself_fails_too(tmp_path, how):
    done = run_suite(tmp_path, f"import pytest\n{how}\ndef test_never(): pass\n", BOREWRIGHT_REQUIRE_ALL="1")
    assert done.returncode != 0
    assert "this may not be skipped" in done.stdout
