"""How a part would come out: pure numpy functions over arrays of candidates, one model a module.

Shapes: P pairings (machine, nozzle, material), B beads of a pairing, J jobs, K representative slabs,
U distinct bead widths, F toleranced features, C fit classes. All figures are float64.
A figure without a published source is marked "engineering prior" where it stands.
"""
