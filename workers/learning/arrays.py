"""The one array type of the numeric core, and the door into it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def floats(value: ArrayLike) -> Array:
    """Anything like an array as float64; an array that is already so comes back itself."""
    return np.asarray(value, dtype=np.float64)
