"""Loops that numpy is too slow for, compiled by numba and kept on disk for the next process where that can be done.

Beside the module or in the user's cache folder (NUMBA_CACHE_DIR sets another): some twenty seconds once, a second from
then on. Where nothing can be written every process compiles for itself. All let go of the interpreter's lock.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

from numba import njit

_TYPED = ("adjacency", "enclosure", "equal_points", "facets", "joined_sets", "rims", "rings")


def kernel(function: Any) -> Any:
    """The function compiled, at its first use, for the types it is called with."""
    try:
        return njit(nogil=True, cache=True)(function)
    except RuntimeError:  # no folder to keep it in
        return njit(nogil=True)(function)


def compiled(*signatures: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """A function compiled for these types as soon as its module is imported."""

    def compile_it(function: Callable[..., Any]) -> Callable[..., Any]:
        try:
            return _for_types(function, signatures, keep=True)
        except RuntimeError:  # no folder to keep it in
            return _for_types(function, signatures, keep=False)

    return compile_it


def _for_types(function: Callable[..., Any], signatures: tuple[str, ...], *, keep: bool) -> Callable[..., Any]:
    made: Callable[..., Any] = njit(list(signatures), cache=keep, nogil=True)(function)
    return made


def compile_all() -> None:
    """Compile (or load) every kernel now, not with the first mesh."""
    import numpy as np

    from workers.geometry.curves import LayerCurves

    for name in _TYPED:
        import_module(f"workers.geometry.{name}")
    LayerCurves.of([np.array([(0.0, 0.0), (3.0, 0.0), (0.0, 3.0)])])
