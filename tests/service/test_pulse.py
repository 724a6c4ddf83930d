"""Signs of life over a real pipe, by a clock of the test's own."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from service import pulse
from service.pulse import LOOKED_S, Pulse


class Clock:
    now = 1000.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(pulse, "time", made)
    return made


@pytest.fixture
def child(clock: Clock) -> Iterator[Pulse]:
    made = Pulse()
    yield made
    made.handed_over()
    made.close()


def looked_at(child: Pulse, clock: Clock, seconds: float, every_s: float = 5.0) -> float:
    """Look every so often for so long; the silence at the end."""
    end = clock.now + seconds
    while clock.now < end:
        clock.now += every_s
        silent = child.silent_s()
    return silent


def test_a_child_is_not_missed_before_its_first_sign(child: Pulse, clock: Clock) -> None:
    assert looked_at(child, clock, 600) == 0


def test_silence_counts_from_the_last_sign(child: Pulse, clock: Clock) -> None:
    os.write(child.write_fd, b"..")
    assert child.silent_s() == 0
    assert looked_at(child, clock, 30) == 30
    os.write(child.write_fd, b".")
    assert child.silent_s() == 0


def test_who_stood_still_himself_blames_nobody(child: Pulse, clock: Clock) -> None:
    os.write(child.write_fd, b".")
    child.silent_s()
    clock.now += 10 * LOOKED_S
    assert child.silent_s() == 0
    assert looked_at(child, clock, 30) == 30  # but goes on counting
