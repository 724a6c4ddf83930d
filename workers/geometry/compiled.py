"""Loops that numpy is too slow for, compiled by numba and kept on disk for the next process where that can be done.

In the folder NUMBA_CACHE_DIR names, beside the modules or in the user's cache folder: half a minute once, a second from
then on. Where nothing can be written every process compiles for itself. All let go of the interpreter's lock.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from hashlib import sha256
from importlib import import_module
from pathlib import Path
from typing import Any

from numba import config, njit

_TYPED = ("adjacency", "enclosure", "equal_points", "facets", "joined_sets", "rims", "rings")


def _folder() -> str:
    """Where to keep what is compiled, one folder for each state of the sources; empty where nothing can be written.

    The library looks at a kernel's own file alone, not at those of the functions it calls: a change there must not meet
    an old kernel.
    """
    here = Path(__file__).parent
    sources = (file.read_bytes() for file in sorted(here.glob("*.py")))
    state = sha256(b"".join(text for text in sources if b"geometry.compiled import" in text)).hexdigest()[:12]
    named = os.environ.get("NUMBA_CACHE_DIR")
    own = Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser()) / "borewright"
    for base in (Path(named),) if named else (here / "__pycache__", own):
        try:
            (folder := base / f"kernels-{state}").mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return str(folder)
    return ""


config.CACHE_DIR = _folder()  # type: ignore[attr-defined]  # one of the names it makes up as it starts


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
