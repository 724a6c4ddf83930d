"""What printing a lot is expected to cost, part by part. Pure arithmetic on arrays that spread to one shape."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from workers.model.lineup import LineUpPrices
from workers.planning.lineup.problem import Floats, Ints
from workers.routing.candidate import WASTED_BY_CLOG

GOOD_MIN = 1e-4  # share of good copies below which a lot is bought outside at any price (ours)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Terms:
    """Of one copy: print_h, clog risk, chance that all sizes conform, that it is sound otherwise, detail score,
    filament (cost). Of the machine: hourly cost. Of the lot: setup_h, and operator_h of a person."""

    print_h: Floats
    risk: Floats
    fit: Floats
    sound: Floats
    detail: Floats
    filament: Floats
    hourly: Floats
    setup_h: Floats
    operator_h: Floats

    @classmethod
    def names(cls) -> tuple[str, ...]:
        return tuple(one.name for one in fields(cls))

    def items(self) -> Iterator[tuple[str, Floats]]:
        return ((name, getattr(self, name)) for name in self.names())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lots:
    """Arrays (J, ...): quantity of copies in a lot, count of lots, slack_h of one until it is late (inf: never)."""

    quantity: Floats
    count: Floats
    slack_h: Floats

    @property
    def copies(self) -> Floats:
        return self.quantity * self.count

    def rows(self, rows: Ints | slice, dimensions: int) -> Lots:
        """These entries, spread over more dimensions."""
        shape = (-1,) + (1,) * (dimensions - 1)
        return Lots(**{one.name: getattr(self, one.name)[rows].reshape(shape) for one in fields(self)})


def good_share(terms: Terms) -> Floats:
    """Chance that a copy is good."""
    good: Floats = np.maximum((1.0 - terms.risk) * terms.fit * terms.sound, GOOD_MIN)
    return good


def hours_of(terms: Terms, lots: Lots) -> Floats:
    """Machine hours of all lots of an entry, failed copies and setups in."""
    return lots.count * _lot_hours(terms, lots)


def _lot_hours(terms: Terms, lots: Lots) -> Floats:
    spent = 1.0 - WASTED_BY_CLOG * terms.risk
    hours: Floats = lots.quantity * (terms.print_h * spent / good_share(terms)) + terms.setup_h
    return hours


def parts_of(terms: Terms, lots: Lots, prices: LineUpPrices) -> dict[str, Floats]:
    """Cost of all lots of an entry, by cause."""
    tried, copies = 1.0 / good_share(terms), lots.copies
    spent, hours = 1.0 - WASTED_BY_CLOG * terms.risk, _lot_hours(terms, lots)
    return {
        "machine": lots.count * hours * terms.hourly,
        "operator": lots.count * terms.operator_h * prices.operator_per_h,
        "material": copies * tried * spent * terms.filament,
        "scrap": copies * (tried - 1.0) * prices.scrap_each,
        "clog": copies * tried * terms.risk * prices.clog_each,
        "detail": copies * (1.0 - terms.detail) * prices.detail_each,
        "late": lots.count * np.maximum(hours - lots.slack_h, 0.0) * prices.late_per_h,
    }
