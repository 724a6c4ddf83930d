"""Bars drawn on the server: geometry only. Templates turn it into SVG; colours come from the style sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from workers.model.routing import Candidate, Contribution, Scores, Weighed

WIDTH = 340.0
ROW = 22.0
LABEL = 132.0  # left column
VALUE = 48.0  # right column
ROOM = WIDTH - LABEL - VALUE
SHOWN = 5  # candidates drawn: the choice and the next four; the table holds all


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a panel, in user units; ``chosen`` bars are drawn full, the others lighter."""

    label: str
    value: str
    y: float
    x: float
    width: float
    chosen: bool


@dataclass(frozen=True, slots=True)
class Panel:
    """One small drawing: what it shows in a title and, for who cannot see it, in a description."""

    key: str
    title: str
    description: str
    height: float
    axis: float
    bars: tuple[Bar, ...]


def score_panels(
    candidates: Sequence[Candidate], labels: Sequence[str], weights: Scores, words: dict[Weighed, str]
) -> tuple[Panel, ...]:
    """The four scores, one panel each, of the choice (first) and the next best."""
    return tuple(
        _score_panel(score, words[score], getattr(weights, score.value), candidates[:SHOWN], labels)
        for score in Weighed
    )


def _score_panel(
    score: Weighed, word: str, weight: float, candidates: Sequence[Candidate], labels: Sequence[str]
) -> Panel:
    values = [float(getattr(c.scores, score.value)) for c in candidates]
    bars = tuple(
        Bar(label, f"{value:.3f}", ROW * i, LABEL, ROOM * min(1.0, max(0.0, value)), i == 0)
        for i, (label, value) in enumerate(zip(labels, values, strict=False))
    )
    read = "; ".join(f"{label} {value:.3f}" for label, value in zip(labels, values, strict=False))
    return Panel(
        key=score.value,
        title=f"{word}, weight {weight:.2f}",
        description=f"Scores from 0 to 1, 1 is best. {read}.",
        height=ROW * len(bars),
        axis=LABEL,
        bars=bars,
    )


def contribution_panel(contributions: Sequence[Contribution], words: dict[Weighed, str]) -> Panel:
    """How far each score pulls towards the choice (right of the axis) or the runner-up (left of it)."""
    largest = max((abs(c.share) for c in contributions), default=0.0) or 1.0
    left, right = 78.0, WIDTH - 62.0
    axis, half = (left + right) / 2.0, (right - left) / 2.0
    bars = []
    for i, one in enumerate(contributions):
        length = half * abs(one.share) / largest
        x = axis if one.share >= 0 else axis - length
        bars.append(
            Bar(
                words[one.score], f"{one.share:+.4f}".replace("-", "\N{MINUS SIGN}"), ROW * i, x, length, one.share >= 0
            )
        )
    read = "; ".join(f"{bar.label} {bar.value}" for bar in bars)
    return Panel(
        key="contributions",
        title="What each score adds to the choice's lead",
        description=f"Right of the line speaks for the choice, left of it for the runner-up. {read}.",
        height=ROW * len(bars),
        axis=axis,
        bars=tuple(bars),
    )
