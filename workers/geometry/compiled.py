"""How the loops that numpy is too slow for are compiled: with types given, so that importing them is all it takes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def compiled(*signatures: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """A function for these types, compiled on import; it lets go of the interpreter's lock while it runs.

    The machine code is kept beside the source or in the user's cache, and where neither can be written in memory.
    """

    def compile_it(function: Callable[..., Any]) -> Callable[..., Any]:
        try:
            return _compiled(function, signatures, keep=True)
        except (RuntimeError, OSError):
            return _compiled(function, signatures, keep=False)

    return compile_it


def _compiled(function: Callable[..., Any], signatures: tuple[str, ...], *, keep: bool) -> Callable[..., Any]:
    made: Callable[..., Any] = njit(list(signatures), cache=keep, nogil=True)(function)
    return made
