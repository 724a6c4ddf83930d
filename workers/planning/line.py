"""A dispatch list as arrays: when its jobs finish, and what lateness, waiting and setups come to. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# Engineering priors.
WAIT = 0.02  # an hour waited in time, against an hour late
SETUP = 1.0  # an hour of setup, against an hour late of a job of priority 0

_DENSITY_AT_0 = 0.3989422804014327  # of the standard normal
_FAR = 7.0  # standard deviations beyond which the doubt adds less than 1e-12 of one


@dataclass(frozen=True, slots=True)
class Line:
    """Over the entries of a list, hours from now. sd: of an entry's own finish; ready: before then it cannot start."""

    nozzle: Index
    material: Index
    setup: Array
    work: Array
    wanted: Array
    weight: Array
    ready: Array
    sd: Array

    def finish(self, busy_h: float) -> Array:
        """Each ends its own work after the one before, or after it is ready, whichever is later."""
        end = np.cumsum(self.setup + self.work)
        latest = np.maximum.accumulate(np.maximum(self.ready + self.work - end, busy_h))
        return np.asarray(end + latest)

    def lateness(self, finish: Array) -> Array:
        """Expected hours late of each."""
        return expected_late(finish - self.wanted, self.sd)

    def total(self, busy_h: float) -> float:
        """Weighted lateness, waiting and setups as one figure."""
        finish = self.finish(busy_h)
        return float(self.weight @ (self.lateness(finish) + WAIT * finish) + SETUP * self.setup.sum())

    def with_one(self, one: Line, at: int, own: float, follower: int, behind: float) -> Line:
        """The line with another entry at a position; ``behind``: setup of the next of its nozzle then."""
        setup = self.setup.copy()
        if follower < setup.size:
            setup[follower] = behind  # not by adding up: equal setups must stay equal to the last bit
        return Line(
            nozzle=np.insert(self.nozzle, at, one.nozzle[0]),
            material=np.insert(self.material, at, one.material[0]),
            setup=np.insert(setup, at, own),
            work=np.insert(self.work, at, one.work[0]),
            wanted=np.insert(self.wanted, at, one.wanted[0]),
            weight=np.insert(self.weight, at, one.weight[0]),
            ready=np.insert(self.ready, at, one.ready[0]),
            sd=np.insert(self.sd, at, one.sd[0]),
        )


def expected_late(slack: Array, sd: Array) -> Array:
    """Mean of max(X, 0) for X normal with mean ``slack`` and ``sd``: the risk of lateness counts before it is certain.

    sd * density(slack / sd) + slack * Phi(slack / sd): the partial expectation of a normal (any text on statistics).
    """
    late: Array = np.maximum(slack, 0.0)
    near = np.flatnonzero(np.abs(slack) < _FAR * sd)
    if near.size:
        x, s = slack[near], sd[near]
        z = x / s
        late[near] = s * _DENSITY_AT_0 * np.exp(-0.5 * z * z) + x * ndtr(z)
    return late
