"""The content of the shop page: what needs a hand, each machine, jobs by state, the last week. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.pages.names import Names, names_of
from service.pages.needs import Need
from service.pages.week_view import WeekView
from workers.model.fleet import Machine, MachineState
from workers.model.job import JobState
from workers.store.heads import Head

__all__ = ["Names", "ShopView", "counts_of", "names_of"]  # other pages take the names from here


@dataclass(frozen=True, slots=True)
class Floor:
    """How many machines do what. idle: up, with jobs that wait there; free: up, with none."""

    machines: int
    printing: int
    idle: int
    free: int
    down: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopView:
    """last_event: the newest change that is in it for certain; what comes behind it may be."""

    needs: tuple[Need, ...]
    benches: tuple[Markup, ...]
    floor: Floor
    counts: tuple[tuple[JobState, int], ...]
    week: WeekView
    names: Names
    last_event: str


def floor_of(machines: Sequence[Machine], lists: Mapping[str, Head]) -> Floor:
    """Of the machines whose lists were read; a copy that is held counts as printing, wherever its machine stands."""
    seen = [(m, lists[m.id].list) for m in machines if m.id in lists]
    quiet = [(m, found) for m, found in seen if found.claim is None]
    up = [found for m, found in quiet if m.state is MachineState.UP]
    idle = sum(any(one.waiting for one in found.listed) for found in up)
    return Floor(len(seen), len(seen) - len(quiet), idle, len(up) - idle, len(quiet) - len(up))


def counts_of(counts: Mapping[JobState, int]) -> tuple[tuple[JobState, int], ...]:
    return tuple((state, counts.get(state, 0)) for state in JobState)
