"""The table of faults in DEVELOPERS.md names tests that are there."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parents[2]
ROOM = {"test_store", "test_worker", "test_disk", "test_clock"}


def rows() -> list[list[str]]:
    text = (TESTS.parent / "DEVELOPERS.md").read_text()
    table = text.split("## Faults")[1].split("**Clocks.**")[0]
    lines = [line for line in table.splitlines() if line.startswith("| ") and not line.startswith("| fault |")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_each_row_names_a_test_that_is_there() -> None:
    assert len(rows()) >= 15
    for row in rows():
        assert len(row) == 5, row
        named = re.findall(r"`([\w/]+)`(?:: `(\w+)`)?", row[-1])
        assert named, row
        for file, word in named:
            found = sorted(TESTS.rglob(f"{file.rpartition('/')[2]}.py"))
            if file in ROOM:
                found = [Path(__file__).with_name(f"{file}.py")]
            assert found, (row[0], file)
            tests = re.findall(r"def (test_\w+)", "".join(one.read_text() for one in found))
            assert [one for one in tests if word in one], (row[0], file, word)
