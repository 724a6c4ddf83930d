"""Kernels compiled by numba at their first use, and kept on disk for the next process where a folder can be written.

Beside the module or in the user's cache folder (NUMBA_CACHE_DIR sets another): some ten seconds once, half a second
from then on. Where nothing can be written every process compiles for itself.
"""

from __future__ import annotations

from typing import Any

from numba import njit


def kernel(function: Any) -> Any:
    """The function compiled for the types it is called with; it lets go of the interpreter's lock."""
    try:
        return njit(nogil=True, cache=True)(function)
    except RuntimeError:  # no folder to keep it in
        return njit(nogil=True)(function)


def compile_all() -> None:
    """Compile (or load) every kernel now, not with the first mesh."""
    import numpy as np

    from workers.geometry.curves import LayerCurves

    LayerCurves.of([np.array([(0.0, 0.0), (3.0, 0.0), (0.0, 3.0)])])
