"""What each machine did in a window, put together from what the store keeps."""

from __future__ import annotations

from collections.abc import Callable

from workers.model.fleet import Machine
from workers.model.report import MachineFigures
from workers.planning.utilisation import Printed, figures_of
from workers.store.stores import Stores


def machine_figures(
    stores: Stores, machine: Machine, since: float, until: float, clock: Callable[[], float]
) -> MachineFigures:
    """The machine from ``since`` to ``until``, epoch seconds; what is still to come does not count."""
    stores.claims.lapse()
    printed = Printed()
    for outcome in stores.reports.printed_on(machine.id, since, until):
        printed = printed.plus(outcome)
    history = stores.reports.history_into(machine.id, since)
    claims = stores.claims.of_machine(machine.id, since, until)
    return figures_of(machine, (since, until), clock(), history, claims, printed)
