"""Moisture of a spool: hours out of drying against what the material stands, and what it does to clogs.

Steam foams the melt and drives it back and forth in the bore; how much more often that clogs is published
nowhere, so the factor is an engineering prior. That wet filament prints worse is not in doubt: ABS at 0.75 %
instead of 0.17 % moisture lost 25 % of its strength (Materials 2024, 17, 1988). Hours in sealed dry storage
count as if spent open, since nobody records them: the figure is an upper bound.
"""

from __future__ import annotations

# Engineering priors: the rate rises in proportion to the time beyond the limit, up to a threefold rate.
RATE_PER_LIMIT = 0.5
FACTOR_MAX = 3.0


def hours_since(dried_at: float | None, now: float | None) -> float | None:
    """Hours since drying; None where either moment is not known."""
    if dried_at is None or now is None:
        return None
    return max(now - dried_at, 0.0) / 3600.0


def clog_factor(hours: float | None, limit_h: float | None) -> float:
    """Factor on the clog rate: 1 up to the limit (or where nothing is known), then rising to FACTOR_MAX."""
    if hours is None or limit_h is None or hours <= limit_h:
        return 1.0
    return min(1.0 + RATE_PER_LIMIT * (hours / limit_h - 1.0), FACTOR_MAX)
