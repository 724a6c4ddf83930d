"""Keeping freed memory at hand. A pass makes and drops hundreds of arrays of some 100 kB; by default the C library
gives such memory back to the system at once and faults it in again for the next array, which takes longer than the
arithmetic (a third of the scoring time where every pairing has outcomes, measured)."""

from __future__ import annotations

import ctypes
from functools import cache

KEPT_BYTES = 64 * 1024 * 1024

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt(3), GNU C library


@cache
def keep_freed_memory() -> bool:
    """Let the process keep up to KEPT_BYTES of freed memory. Returns whether the C library took it."""
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):
        return False  # another C library: it works as it is, only slower
    return bool(mallopt(_TRIM_THRESHOLD, KEPT_BYTES)) and bool(mallopt(_MMAP_THRESHOLD, KEPT_BYTES // 2))
