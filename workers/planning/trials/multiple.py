"""Many questions at once: chances corrected so that all of them together raise a false alarm with 5 %."""

from __future__ import annotations

from collections.abc import Sequence


def holm(chances: Sequence[float]) -> list[float]:
    """Corrected chances in the same order (Holm 1979, Scandinavian Journal of Statistics 6, 65-70; from memory)."""
    order = sorted(range(len(chances)), key=chances.__getitem__)
    corrected, highest = [0.0] * len(chances), 0.0
    for passed, i in enumerate(order):
        highest = max(highest, min(1.0, (len(chances) - passed) * chances[i]))
        corrected[i] = highest
    return corrected
