"""What the shop page keeps between readers, in each process: the lists as read, each machine as drawn, and the rest.

A machine is drawn anew when its list, its claim or the shop has changed, or when its expected times are a little old:
they count from the moment at which they are drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from flask import current_app, g, render_template
from markupsafe import Markup

from service.access import allows
from service.context import stores
from service.pages.bench_view import bench_view
from service.pages.names import Names
from workers.model.access import Scope
from workers.model.fleet import Machine
from workers.model.shop import Shop
from workers.store.heads import Head, KeptHeads

SHOWN = 3  # jobs that wait, named on each machine
LOOKED_AT = 50  # jobs of each list that are read
DRAWN_S = 20.0  # engineering prior: nobody reads finish times to the second
T = TypeVar("T")
_KEPT = "borewright-shop-page"


def kept(name: str, sign: object, make: Callable[[], T]) -> T:
    """What was made under that name while ``sign`` is the same."""
    known = _all().get(name)
    if known is not None and known[0] == sign:
        found: T = known[1]
        return found
    made = make()
    _all()[name] = (sign, made)
    return made


def kept_heads() -> KeptHeads:
    found: KeptHeads = kept("heads", None, lambda: KeptHeads(stores().client, stores().keys, LOOKED_AT))
    return found


def bench_drawn(shop: Shop, machine: Machine, head: Head, names: Names, now: float) -> Markup:
    """The machine's sheet; with what may be done there for who may do it."""
    may = allows(g.get("key"), Scope.OPERATE)
    sign = (shop.revision, head.list.version, head.list.claim, now // DRAWN_S)

    def draw() -> Markup:
        bench = bench_view(shop, machine, head, names, now, SHOWN)
        drawn = render_template("regions/bench.html", bench=bench, may_operate=may)
        return Markup(drawn)  # nosec B704  # escaped by its template

    return kept(f"{may} {machine.id}", sign, draw)


def _all() -> dict[str, Any]:
    found: dict[str, Any] = current_app.extensions.setdefault(_KEPT, {})
    return found
