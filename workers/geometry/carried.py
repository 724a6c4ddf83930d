"""The features of a part in another pose: those of the part as given, turned, under the same names.

A feature keeps its name and size in every pose, so that a tolerance means the same hole whichever way the part
stands; its axis against the build direction is what changes.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from workers.geometry.mesh import Floats
from workers.geometry.orientation import Pose
from workers.geometry.rounds import axis_kind
from workers.model.part import Feature, GeometrySummary

_SAME_MM = 0.05


def carried_features(given: GeometrySummary, own: GeometrySummary, pose: Pose) -> tuple[Feature, ...]:
    """The features of ``given`` as they stand in ``pose``; ``own`` is the summary of the turned part."""
    turn = pose.matrix()
    if np.allclose(turn, np.eye(3)):
        return given.features
    lift = _lift_mm(given, own, turn)
    return tuple(_carried(feature, turn, lift) for feature in given.features)


def _carried(feature: Feature, turn: Floats, lift: float | None) -> Feature:
    direction, at = feature.direction, feature.at_mm
    if direction is None:
        return replace(feature, at_mm=None)
    turned = turn @ direction
    x, y, z = (round(float(v), 6) + 0.0 for v in turned)
    place = None if at is None or lift is None else turn @ at + (0.0, 0.0, lift)
    return replace(
        feature,
        axis=axis_kind(turned),
        direction=(x, y, z),
        at_mm=None
        if place is None
        else (round(float(place[0]), 4), round(float(place[1]), 4), round(float(place[2]), 4)),
    )


def _lift_mm(given: GeometrySummary, own: GeometrySummary, turn: Floats) -> float | None:
    """How far the turned part was lifted to stand at z = 0: what most pairs of like features agree on."""
    votes: Counter[float] = Counter()
    for one in given.features:
        if one.at_mm is None:
            continue
        x, y, z = turn @ one.at_mm
        for other in own.features:
            if other.at_mm is None or other.kind != one.kind or abs(other.nominal_mm - one.nominal_mm) > _SAME_MM:
                continue
            if abs(other.at_mm[0] - x) < _SAME_MM and abs(other.at_mm[1] - y) < _SAME_MM:
                votes[round(other.at_mm[2] - float(z), 1)] += 1
    if not votes:
        return None
    return max(votes, key=lambda lift: (votes[lift], -lift))
