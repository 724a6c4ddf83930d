"""Figures as the sentences of the workers say them. Pure."""

from __future__ import annotations


def hours(value: float) -> str:
    """Hours as ``5 min`` or ``2 h 05 min``, from a hundred on without minutes."""
    minutes = max(1, round(value * 60))
    if minutes >= 6000:
        return f"{value:.0f} h"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"
