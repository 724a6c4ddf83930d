"""What a machine did with its hours, from what was recorded. Pure.

Each moment of a window counts once: as down where the machine was down, else as setup, else as printing, else as idle.
Setup is the time of a nozzle mounted or a spool loaded, counted back from the moment it was recorded for as long as the
machine's own change takes; of several recorded together each has its own time, and none reaches back past the end of
the copy before. Printing is the time that a claim was held, a lapsed one until its lease ended, one finished late until
its finish.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.special import betaincinv, gammaincinv

from workers.model.dispatch import Claim, ClaimState
from workers.model.fleet import Machine
from workers.model.outcome import Outcome
from workers.model.record import HistoryEntry
from workers.model.report import MachineFigures
from workers.planning.intervals import Stretch, clipped, joined, length, without

TAIL = 0.05  # outside each end of an interval
MOUNTED, LOADED = "nozzle.mounted", "spool.loaded"


@dataclass(frozen=True, slots=True)
class Printed:
    """Outcomes added up."""

    accepted: int = 0
    scrapped: int = 0
    clogs: int = 0
    extruded_cm3: float = 0.0

    def plus(self, outcome: Outcome) -> Printed:
        return Printed(
            self.accepted + outcome.accepted,
            self.scrapped + (not outcome.accepted),
            self.clogs + outcome.clogs,
            self.extruded_cm3 + outcome.extruded_cm3,
        )


def figures_of(
    machine: Machine,
    window: Stretch,
    now: float,
    history: Sequence[HistoryEntry],
    claims: Iterable[Claim],
    printed: Printed,
) -> MachineFigures:
    """The machine in the window (epoch seconds; what is still to come does not count).

    history: its lines, oldest first, from its beginning or from before the window.
    """
    there = clipped([_existence(history, window, now)], window)
    held = [(claim, _held(claim, now)) for claim in claims]
    down = _within(_down(history, now), there)
    setup = without(_within(_setups(machine, history, [one for _, one in held]), there), down)
    printing = without(without(_within([one for _, one in held], there), down), setup)
    hours, parts = length(there) / 3600.0, [length(one) / 3600.0 for one in (printing, setup, down)]
    kinds = [line.kind for line in history if window[0] <= line.at < window[1]]
    scrap, clogging = scrap_share(printed), clogs_per_litre(printed)
    return MachineFigures(
        machine_id=machine.id,
        name=machine.name,
        from_at=window[0],
        until_at=window[1],
        hours=hours,
        printing_h=parts[0],
        setup_h=parts[1],
        down_h=parts[2],
        idle_h=max(hours - sum(parts), 0.0),
        utilisation=parts[0] / hours if hours > 0.0 else None,
        nozzle_changes=kinds.count(MOUNTED),
        material_changes=kinds.count(LOADED),
        claims=sum(window[0] <= claim.taken_at < window[1] for claim, _ in held),
        accepted=printed.accepted,
        scrapped=printed.scrapped,
        scrap_share=scrap[0],
        scrap_share_low=scrap[1],
        scrap_share_high=scrap[2],
        clogs=printed.clogs,
        extruded_cm3=printed.extruded_cm3,
        clogs_per_litre=clogging[0],
        clogs_per_litre_low=clogging[1],
        clogs_per_litre_high=clogging[2],
    )


def scrap_share(printed: Printed) -> tuple[float | None, float | None, float | None]:
    """Share of copies scrapped, with the Jeffreys interval (Brown, Cai & DasGupta 2001, Stat. Sci. 16, 101)."""
    count, scrapped = printed.accepted + printed.scrapped, printed.scrapped
    if not count:
        return None, None, None
    low, high = (float(betaincinv(scrapped + 0.5, count - scrapped + 0.5, p)) for p in (TAIL, 1.0 - TAIL))
    return scrapped / count, low if scrapped else 0.0, high if scrapped < count else 1.0


def clogs_per_litre(printed: Printed) -> tuple[float | None, float | None, float | None]:
    """Clogs a litre extruded, with the exact Poisson interval (Garwood 1936, Biometrika 28, 437)."""
    litres, clogs = printed.extruded_cm3 / 1000.0, printed.clogs
    if litres <= 0.0:
        return None, None, None
    low = float(gammaincinv(clogs, TAIL)) if clogs else 0.0
    return clogs / litres, low / litres, float(gammaincinv(clogs + 1, 1.0 - TAIL)) / litres


def _existence(history: Sequence[HistoryEntry], window: Stretch, now: float) -> Stretch:
    born = next((line.at for line in history if line.kind == "machine.created"), window[0])
    gone = next((line.at for line in history if line.kind == "machine.deleted" and line.at > born), now)
    return born, min(gone, now)


def _held(claim: Claim, now: float) -> Stretch:
    end = now if claim.ended_at is None else claim.ended_at
    if claim.state is ClaimState.LAPSED:
        end = min(end, claim.expires_at)
    return claim.taken_at, end


def _down(history: Sequence[HistoryEntry], now: float) -> list[Stretch]:
    """From each time that the machine was said to be down until it was said to be up."""
    found, since = [], None
    for line in history:
        state = line.data.get("state") if line.kind.startswith("machine.") else None
        if state == "down" and since is None:
            since = line.at
        elif state == "up" and since is not None:
            found.append((since, line.at))
            since = None
    return found if since is None else [*found, (since, now)]


def _setups(machine: Machine, history: Sequence[HistoryEntry], held: Sequence[Stretch]) -> list[Stretch]:
    takes = {MOUNTED: machine.nozzle_change_s, LOADED: machine.material_change_s}
    found: list[Stretch] = []
    for line in reversed(history):
        if line.kind in takes:
            end = min(line.at, found[-1][0]) if found else line.at
            free_from = max((stop for _, stop in held if stop <= line.at), default=end - takes[line.kind])
            found.append((min(max(end - takes[line.kind], free_from), end), end))
    return joined(found)


def _within(stretches: Sequence[Stretch], there: Sequence[Stretch]) -> list[Stretch]:
    return [piece for window in there for piece in clipped(stretches, window)]
