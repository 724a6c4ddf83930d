"""Rows of a linear or integer program, put together block by block and handed to HiGHS (through scipy)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from workers.planning.problem import Floats, Ints

Part = tuple[Ints, Ints, ArrayLike]  # row within the block, variable, coefficient


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """x: variables; equal, most: duals of the two kinds of rows, those of ``most`` not negative."""

    value: float
    x: Floats
    equal: Floats
    most: Floats


class Rows:
    """Variables are from 0 up, to ``upper``; blocks of rows are equalities or upper limits."""

    def __init__(self) -> None:
        self._costs: list[Floats] = []
        self._count = 0
        self._equal: list[tuple[list[Part], Floats]] = []
        self._most: list[tuple[list[Part], Floats]] = []

    def variables(self, costs: Floats) -> Ints:
        """New variables with these costs; returns their numbers."""
        numbers = np.arange(self._count, self._count + len(costs))
        self._costs.append(np.asarray(costs, dtype=np.float64))
        self._count += len(costs)
        return numbers

    def equal(self, parts: Sequence[Part], right: Floats) -> None:
        self._equal.append((list(parts), right))

    def at_most(self, parts: Sequence[Part], right: Floats) -> None:
        self._most.append((list(parts), right))

    @property
    def costs(self) -> Floats:
        return np.concatenate(self._costs)

    def minimum(self, seconds: float) -> tuple[float, Floats] | None:
        """The least value and the reduced costs; None if the time did not suffice."""
        result = self._solved(None, seconds)
        return None if result is None else (float(result.fun), np.asarray(result.lower.marginals))

    def optimum(self, upper: Floats, seconds: float) -> Optimum | None:
        """The least value with its duals; None if the time did not suffice."""
        result = self._solved(np.stack([np.zeros(self._count), upper], axis=1), seconds)
        if result is None:
            return None
        duals = np.maximum(-np.asarray(result.ineqlin.marginals), 0.0)
        return Optimum(float(result.fun), np.asarray(result.x), np.asarray(result.eqlin.marginals), duals)

    def whole_minimum(self, whole: Ints, upper: Floats, seconds: float) -> Any:
        """scipy's result of the program with some variables whole."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        equal, equal_right = self._matrix(self._equal)
        most, most_right = self._matrix(self._most)
        constraints = [LinearConstraint(equal, equal_right, equal_right), LinearConstraint(most, -np.inf, most_right)]
        integrality = np.zeros(self._count)
        integrality[whole] = 1
        return milp(
            self.costs,
            constraints=[one for one in constraints if one.A.shape[0]],
            integrality=integrality,
            bounds=Bounds(0.0, upper),
            options={"time_limit": max(seconds, 0.05), "mip_rel_gap": 0.0},
        )

    def _solved(self, bounds: Floats | None, seconds: float) -> Any:
        """None if the time did not suffice. bounds: (n, 2), or None for 0 and up."""
        from scipy.optimize import linprog

        equal, equal_right = self._matrix(self._equal)
        most, most_right = self._matrix(self._most)
        result: Any = linprog(
            self.costs,
            A_ub=most,
            b_ub=most_right,
            A_eq=equal,
            b_eq=equal_right,
            bounds=(0, None) if bounds is None else bounds,
            method="highs",
            options={"time_limit": max(seconds, 0.05)},
        )
        return result if result.status == 0 else None

    def _matrix(self, blocks: list[tuple[list[Part], Floats]]) -> tuple[Any, Floats]:
        from scipy.sparse import coo_array

        row, column, value, at = [], [], [], 0
        for parts, right in blocks:
            for rows, variables, coefficients in parts:
                row.append(np.asarray(rows) + at)
                column.append(np.asarray(variables))
                value.append(np.broadcast_to(np.asarray(coefficients, dtype=np.float64), np.shape(rows)))
            at += len(right)
        rights = np.concatenate([right for _, right in blocks]) if blocks else np.zeros(0)
        if not row:
            return coo_array((0, self._count)).tocsr(), rights
        entries = (np.concatenate(value), (np.concatenate(row), np.concatenate(column)))
        return coo_array(entries, shape=(at, self._count)).tocsr(), rights
