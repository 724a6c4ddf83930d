"""The shop page, and the regions of the live pages: each can be asked for by itself when something has changed."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence

from flask import Blueprint, request
from markupsafe import Markup

from service.context import context, stores
from service.pages.kept_benches import bench_drawn, kept, kept_heads
from service.pages.names import names_of
from service.pages.needs import Need, Seen, needs_of
from service.pages.rendering import page
from service.pages.shop_view import ShopView, counts_of, floor_of
from service.pages.week_view import WEEK_S, WeekView, week_view
from workers.model import ids
from workers.model.fleet import Machine
from workers.model.job import JobState
from workers.model.outcome import Outcome, OutcomeState
from workers.model.shop import Shop
from workers.store.heads import Head
from workers.store.outcomes import OutcomeFilter

STUCK_READ = 5
WEEK_READ = 500  # outcomes of the week
FLAGGED_READ = 6
EVENTS_READ = 1000  # how far back a lapsed claim is looked for
REGIONS_AT_ONCE = 60
KEPT_S = 30.0  # how long what needs a hand, and the week, stand while nothing happens


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/", "shop", shop)
    blueprint.add_url_rule("/regions", "regions", regions)


def shop() -> str:
    last_event = stores().events.last_id()  # before all else is read: what comes later is told by the stream
    now, found = time.time(), context().shop.newest()
    lists = _heads(found.machines)
    view = ShopView(
        needs=_needs(found, lists, now),
        benches=_drawn(found, found.machines, lists, now),
        floor=floor_of(found.machines, lists),
        counts=counts_of(stores().jobs.counts()),
        week=_week(now),
        names=names_of(found),
        last_event=last_event,
    )
    return page("shop.html", "shop", view=view)


def regions() -> str:
    """Of the regions named (``of``), those that are there, one after the other."""
    wanted = list(dict.fromkeys(request.args.getlist("of")))[:REGIONS_AT_ONCE]
    now, found = time.time(), context().shop.newest()
    everything = "benches" in wanted
    lists = _heads(found.machines if everything or "floor" in wanted else _named(found, wanted))
    drawn = found.machines if everything else _named(found, wanted)
    return page(
        "regions.html",
        "",
        wanted=wanted,
        needs=_needs(found, lists if everything else {}, now) if "needs" in wanted else (),
        counts=counts_of(stores().jobs.counts()) if "jobs" in wanted else (),
        week=_week(now) if "week" in wanted else None,
        benches=_drawn(found, drawn, lists, now),
        floor=floor_of(found.machines, lists),
        names=names_of(found),
    )


def _named(found: Shop, wanted: Sequence[str]) -> Sequence[Machine]:
    asked = {name.partition(".")[2] for name in wanted if name.startswith("bench.")}
    return [m for m in found.machines if m.id in asked]


def _heads(machines: Sequence[Machine]) -> dict[str, Head]:
    stores().claims.lapse()
    return kept_heads().newest([m.id for m in machines])


def _drawn(found: Shop, machines: Sequence[Machine], lists: Mapping[str, Head], now: float) -> tuple[Markup, ...]:
    names = names_of(found)
    return tuple(bench_drawn(found, m, lists[m.id], names, now) for m in machines if m.id in lists)


def _needs(found: Shop, lists: dict[str, Head], now: float) -> tuple[Need, ...]:
    return kept("needs", _sign(now), lambda: _needs_anew(found, lists or _heads(found.machines), now))


def _sign(now: float) -> tuple[object, ...]:
    """What is worked out from the shop stands for all readers until something happens, or half a minute is over."""
    return stores().events.last_id(), int(now // KEPT_S)


def _needs_anew(found: Shop, lists: dict[str, Head], now: float) -> tuple[Need, ...]:
    jobs, outcomes = stores().jobs, stores().outcomes
    stuck = [j for state in (JobState.UNROUTABLE, JobState.FAILED) for j in jobs.page(state, limit=STUCK_READ).items]
    flagged = outcomes.page(OutcomeFilter(state=OutcomeState.FLAGGED), limit=FLAGGED_READ).items
    seen = Seen(
        shop=found,
        counts=jobs.counts(),
        stuck=stuck,
        lists=[head.list for head in lists.values()],
        flagged=flagged,
        events=stores().events.newest(EVENTS_READ),
        now=now,
    )
    return needs_of(seen)


def _week(now: float) -> WeekView:
    return kept("week", _sign(now), lambda: _week_anew(now))


def _week_anew(now: float) -> WeekView:
    """The outcomes reported in the last seven days, as many as are read; their ids rise with the time of reporting."""
    found: list[Outcome] = []
    oldest = ids.encode(int((now - WEEK_S) * 1000), 0)
    for outcome in stores().outcomes.newest_first(chunk=WEEK_READ):
        if outcome.id < oldest or len(found) == WEEK_READ:
            return week_view(found, capped=len(found) == WEEK_READ)
        found.append(outcome)
    return week_view(found, capped=False)
