"""One part in several poses: the pose with the better routing, and the words for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf, log

from workers.model.part_record import PartPose
from workers.model.routing import PoseChoice, Routing


def best_of_poses(poses: Sequence[PartPose], routings: Sequence[Routing]) -> Routing:
    """The routing of the pose with the highest utility on a common scale; the first of equals.

    The time score of each routing is taken against the fastest candidate of its own pose, so the utilities of two
    poses compare only after ``w_time * ln(fastest of all poses / fastest of this pose)`` is added.
    """
    values = common_utilities(routings)
    best = max(range(len(values)), key=lambda i: values[i])
    choice = PoseChoice(
        name=poses[best].name,
        rotation=poses[best].rotation,
        compared=len(poses),
        note=_note(poses, values, best),
    )
    routing = routings[best]
    return replace(routing, pose=choice, notes=(choice.note, *routing.notes))


def common_utilities(routings: Sequence[Routing]) -> list[float]:
    """The utility of each choice with one time scale for all; -inf where every candidate was refused."""
    fastest = [_fastest_h(routing) for routing in routings]
    least = min(fastest)
    return [
        -inf
        if routing.chosen is None
        else routing.chosen.utility + (routing.emphasis.time * log(least / own) if own > 0 else 0.0)
        for routing, own in zip(routings, fastest, strict=True)
    ]


def _fastest_h(routing: Routing) -> float:
    """Hours of the fastest feasible candidate, from the choice's own hours and time score."""
    chosen = routing.chosen
    return inf if chosen is None else (chosen.print_h + chosen.setup_h) * chosen.scores.time


def _note(poses: Sequence[PartPose], values: Sequence[float], best: int) -> str:
    count = len(poses)
    if count == 1:
        return "The part stands as given: it has no other stable resting pose."
    if values[best] == -inf:
        return f"Every candidate was refused in each of {count} resting poses; shown for the part as given."
    if best == 0:
        return f"Of {count} resting poses, the part as given routes best."
    x, y, z = (round(-one, 3) + 0.0 for one in poses[best].rotation[2])
    down = f"Of {count} resting poses, {poses[best].name} routes best: the file's direction ({x:g}, {y:g}, {z:g}) down."
    if values[0] == -inf:
        return f"{down} As given, every candidate is refused."
    return f"{down} Its utility is {values[best] - values[0]:.3g} above that of the part as given."
