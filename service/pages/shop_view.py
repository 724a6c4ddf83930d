"""The content of the shop page: what needs a hand, each machine, jobs by state, the last week. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from service.pages.names import Names, names_of
from service.pages.needs import Need
from service.pages.week_view import WeekView
from workers.model.job import JobState

__all__ = ["Names", "ShopView", "counts_of", "names_of"]  # other pages take the names from here


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopView:
    """last_event: the newest change that is in it for certain; what comes behind it may be."""

    needs: tuple[Need, ...]
    benches: tuple[Markup, ...]
    counts: tuple[tuple[JobState, int], ...]
    week: WeekView
    names: Names
    last_event: str


def counts_of(counts: Mapping[JobState, int]) -> tuple[tuple[JobState, int], ...]:
    return tuple((state, counts.get(state, 0)) for state in JobState)
