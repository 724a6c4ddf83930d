"""Python runs this first where its folder stands on PYTHONPATH: the wall clock is then off by what a file says."""

import os
import time
from pathlib import Path

_real, _monotonic = time.time, time.monotonic
_file = Path(os.environ["STEPPED_CLOCK"])
_kept = [0.0, 0.0]  # until when it is taken as read, seconds


def _stepped() -> float:
    if _monotonic() > _kept[0]:
        text = _file.read_text().strip().removesuffix("s")
        _kept[:] = [_monotonic() + 0.2, float(text or 0)]
    return _real() + _kept[1]


time.time = _stepped
