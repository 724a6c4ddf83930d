"""How much a calibration still counts: it ages with time, with wear of the tip, and with what was changed."""

from __future__ import annotations

from dataclasses import dataclass

DAY_S, HOUR_S = 86_400.0, 3_600.0  # units (ours)

# Engineering priors: nobody has published how calibrations of filament printers age.
HALF_LIFE_D = 180.0
HALF_WEAR_SHARE = 0.1  # share of the tip's life used since, that halves it as well
CHANGED = 0.25  # of its weight is left once the hotend or the material batch has been changed
STALE_BELOW = 0.5


@dataclass(frozen=True, slots=True)
class Standing:
    """What a calibration is worth now: weight in [0, 1], age in days (None: not aged), and what took from it."""

    weight: float
    age_d: float | None = None
    causes: tuple[str, ...] = ()

    @property
    def stale(self) -> bool:
        return self.weight < STALE_BELOW


FRESH = Standing(1.0)


def hour_of(now: float | None) -> float | None:
    """The full hour before ``now``: ages are taken at full hours, so an hour's routings agree to the byte."""
    return None if now is None else now // HOUR_S * HOUR_S


def standing(
    measured_at: float,
    now: float | None,
    *,
    worn_since: float = 0.0,
    hotend_changed_at: float | None = None,
    batch_changed_at: float | None = None,
) -> Standing:
    """worn_since: share of the tip's life used since. Without ``now`` time takes nothing, the rest still does."""
    age_d = None if now is None else max(now - measured_at, 0.0) / DAY_S
    weight, causes = 0.5 ** ((age_d or 0.0) / HALF_LIFE_D), []
    if age_d is not None and weight < STALE_BELOW:
        causes.append(f"it is {age_d:.0f} days old")
    if worn_since > 0.0:
        weight *= 0.5 ** (worn_since / HALF_WEAR_SHARE)
        causes.append(f"the tip has used {worn_since:.0%} of its life since")
    for changed_at, what in ((hotend_changed_at, "the hotend"), (batch_changed_at, "the material batch")):
        if changed_at is not None and changed_at > measured_at:
            weight *= CHANGED
            causes.append(f"{what} was changed since")
    return Standing(weight, age_d, tuple(causes))
