"""Incomplete blocks: which bores stand in which block, so that their differences are told best.

The information matrix of the treatments adjusted for blocks is C = diag(r) - N diag(1 / k) N' (N: bores x blocks, how
often; r: runs of each bore; k: runs of each block). Two bores differ with variance sd^2 (e_i - e_j)' C^- (e_i - e_j).
John & Williams 1995, Cyclic and Computer Generated Designs, chapters 1 and 2 (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice

import numpy as np

from workers.learning.arrays import Array
from workers.planning.trials.draw import shuffled

_FEWEST_STARTS, _PLACES_TRIED = 4, 400  # starts: fewer where there are many places
_PASSES = 20
_CYCLIC_TRIED = 100
_ZERO = 1e-9  # eigenvalues below it are rounding


@dataclass(frozen=True, slots=True)
class Place:
    """Where one replicate of a block stands: its block, the bores (numbers) that can stand there, and how many do."""

    block: int
    allowed: tuple[int, ...]
    size: int


def chosen_bores(places: Sequence[Place], bores: int, seed: int) -> list[tuple[int, ...]]:
    """The bores of each place, all of them where they fit, else those that tell the differences best (A-optimality,
    by exchange from several drawn starts)."""
    if all(place.size == len(place.allowed) for place in places):
        return [tuple(sorted(place.allowed)) for place in places]
    tries = max(_FEWEST_STARTS, _PLACES_TRIED // max(1, len(places)))
    begun = [*_cyclic(places, bores), *(_start(places, seed, n) for n in range(tries))]
    starts = (_improved(places, one, bores) for one in begun)
    return [tuple(sorted(one)) for one in min(starts, key=lambda one: _badness(counts_of(places, one, bores)[None])[0])]


def counts_of(places: Sequence[Place], chosen: Sequence[Collection[int]], bores: int) -> Array:
    """How often each bore stands in each block: (bores, blocks)."""
    counts = np.zeros((bores, 1 + max((place.block for place in places), default=0)))
    for place, members in zip(places, chosen, strict=True):
        for bore in members:
            counts[bore, place.block] += 1.0
    return counts


def information(counts: Array) -> Array:
    """C of designs (..., bores, blocks): (..., bores, bores)."""
    size = counts.sum(axis=-2)
    shared = np.einsum("...ib,...jb->...ij", counts / np.where(size > 0.0, size, 1.0)[..., None, :], counts)
    replicates = counts.sum(axis=-1)
    return np.asarray(np.eye(counts.shape[-2]) * replicates[..., None, :] - shared)


def is_connected(counts: Array) -> bool:
    """Whether every difference between bores can be told within blocks."""
    rank = int((np.linalg.eigvalsh(information(counts)) > _ZERO).sum())
    return bool(rank == counts.shape[0] - 1)


def pair_variances(counts: Array) -> dict[tuple[int, int], float]:
    """Variance of each difference in units of the variance of one run."""
    inverse = np.linalg.pinv(information(counts), hermitian=True)
    return {
        (i, j): float(inverse[i, i] + inverse[j, j] - 2.0 * inverse[i, j])
        for i, j in combinations(range(counts.shape[0]), 2)
    }


def efficiency(counts: Array) -> float:
    """Average efficiency factor: what blocks without any bore missing would need of runs, over what this needs.

    Harmonic mean of the canonical efficiency factors, the eigenvalues of R^-1/2 C R^-1/2; 0 where not connected.
    """
    if not is_connected(counts):
        return 0.0
    root = 1.0 / np.sqrt(counts.sum(axis=1))
    values = np.linalg.eigvalsh(information(counts) * root[:, None] * root[None, :])
    factors = values[1:]
    return float(len(factors) / (1.0 / factors).sum())


def _badness(counts: Array) -> Array:
    """Sum of the variances of all differences, up to a factor, (designs,); huge where not connected."""
    values = np.linalg.eigvalsh(information(counts))[..., 1:]
    return np.asarray((1.0 / np.maximum(values, _ZERO)).sum(axis=-1))


def _cyclic(places: Sequence[Place], bores: int) -> Iterator[list[set[int]]]:
    """The best cyclic design: one block, each bore's number raised by 1 from place to place (mod the bores)."""
    if len({(place.allowed, place.size) for place in places}) != 1 or len(places[0].allowed) != bores:
        return
    designs = [
        [{(bore + i) % bores for bore in first} for i in range(len(places))]
        for first in islice(combinations(range(bores), places[0].size), _CYCLIC_TRIED)
    ]
    yield min(designs, key=lambda one: float(_badness(counts_of(places, one, bores)[None])[0]))


def _start(places: Sequence[Place], seed: int, number: int) -> list[set[int]]:
    """Each place takes the bores used least so far, in a drawn order where they are used alike."""
    used: dict[int, int] = {}
    chosen = []
    for at, place in enumerate(places):
        drawn = shuffled(place.allowed, seed, "start", number, at)
        members = set(sorted(drawn, key=lambda bore: used.get(bore, 0))[: place.size])
        for bore in members:
            used[bore] = used.get(bore, 0) + 1
        chosen.append(members)
    return chosen


def _improved(places: Sequence[Place], chosen: list[set[int]], bores: int) -> list[set[int]]:
    """Exchange bores place by place, the best exchange first, until none helps."""
    counts = counts_of(places, [sorted(one) for one in chosen], bores)
    for _ in range(_PASSES):
        moved = False
        for place, members in zip(places, chosen, strict=True):
            moved |= _exchange(place, members, counts)
        if not moved:
            break
    return chosen


def _exchange(place: Place, members: set[int], counts: Array) -> bool:
    """Make the one exchange at a place that helps most; gives whether one did."""
    swaps = [(out, new) for out in sorted(members) for new in place.allowed if new not in members]
    if not swaps:
        return False
    tried = np.repeat(counts[None], len(swaps) + 1, axis=0)
    for i, (out, new) in enumerate(swaps, 1):
        tried[i, out, place.block] -= 1.0
        tried[i, new, place.block] += 1.0
    each = _badness(tried)
    best = int(each.argmin())
    if each[best] >= each[0] * (1.0 - 1e-9):
        return False
    out, new = swaps[best - 1]
    members.remove(out)
    members.add(new)
    counts[:] = tried[best]
    return True
