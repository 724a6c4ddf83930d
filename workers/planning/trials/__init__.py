"""Bore trials: laid out, powered, analysed and judged. Pure: nothing is drawn but from the trial's own seed."""
