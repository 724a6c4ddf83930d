"""The pages' colours against WCAG, and their words for figures and moments."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.pages import wording
from service.pages.job_view import pace_plot, split_parts
from service.pages.wording import hours, machine_time, number, percent, reader_time
from workers.model.routing import TimeSplit

STYLE = Path(wording.__file__).parent / "static" / "borewright.css"


# Colours


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula() -> None:
    """WCAG 2.1: black on white is 21:1; #767676 on white is the well-known 4.54:1 (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("block", [0, 1], ids=["light", "dark"])
def test_colours_keep_the_contrast_of_wcag_aa(block: int) -> None:
    """WCAG 2.1, 1.4.3: text 4.5:1; 1.4.11: parts of controls and drawings 3:1."""
    blocks = re.findall(r":root \{(.*?)\}", STYLE.read_text(encoding="utf-8"), re.S)
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", blocks[block]))
    for text in ("ink", "soft", "link", "accent", "bad", "good", "warn"):
        for under in ("paper", "sheet", "warn-sheet"):
            assert contrast(colours[text], colours[under]) >= 4.5, f"{text} on {under}"
    assert contrast(colours["paper"], colours["accent"]) >= 4.5, "the send button"
    for drawn in ("bar", "bar-against", "focus", "rule"):
        assert contrast(colours[drawn], colours["paper"]) >= 3, drawn


# Words


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (hours(0.0), "under 1 min"),
        (hours(0.5), "30 min"),
        (hours(59.6 / 60), "1 h 00 min"),
        (hours(2.5), "2 h 30 min"),
        (percent(0.0), "0 %"),
        (percent(0.0001), "under 0.1 %"),
        (percent(0.034), "3.4 %"),
        (percent(0.9999), "over 99.9 %"),
        (percent(1.0), "100 %"),
        (number(300.0), "300"),
        (number(-0.25), "\N{MINUS SIGN}0.25"),
        (number(-0.001), "0"),
        (reader_time(1_800_000_000.0), "15 Jan 2027, 08:00 UTC"),
        (machine_time(1_800_000_000.0), "2027-01-15T08:00:00Z"),
    ],
)
def test_figures_in_words(shown: str, expected: str) -> None:
    """1,800,000,000 s after 1970 is 2027-01-15T08:00:00Z (POSIX time; GNU date agrees)."""
    assert shown == expected


def test_the_shares_of_the_time_fill_the_bar() -> None:
    parts = split_parts(TimeSplit(melt_h=3, motion_h=1, cooling_h=0, travel_h=0.5, setup_h=0.5))
    assert [p.key for p in parts] == ["melt", "motion", "travel", "setup"]
    assert sum(p.share for p in parts) == pytest.approx(1)
    assert [p.share for p in pace_plot(parts).parts] == [p.share for p in parts]
