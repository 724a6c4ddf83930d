"""How well the models foretold: predicted against observed, by model version."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliabilityBin:
    """Predictions between lower and upper: how many, their mean, and the share that came true."""

    lower: float
    upper: float
    n: int
    predicted: float
    observed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChanceCheck:
    """Yes-or-no predictions. brier: mean square of (predicted - observed), 0 is perfect; brier_of_mean: what
    always predicting the observed share would have scored. None without any prediction."""

    n: int
    predicted: float | None
    observed: float | None
    brier: float | None
    brier_of_mean: float | None
    bins: tuple[ReliabilityBin, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadCheck:
    """Predictions of a figure. error: mean of (observed - predicted), error_sd: their standard deviation (sizes in mm,
    times as ln of the ratio); inside_90: share within the 90 % prediction interval. None without enough of them."""

    n: int
    error: float | None
    error_sd: float | None
    inside_90: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelCheck:
    """fit: each size within its limits; clog: a clog in the copy; good: the copy was accepted."""

    model_version: str
    outcomes: int
    fit: ChanceCheck
    clog: ChanceCheck
    good: ChanceCheck
    size: SpreadCheck
    time: SpreadCheck
