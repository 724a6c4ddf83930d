"""The data tables beside this package: CSV files with a source column."""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files


@cache
def rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of a table as text by column name; ``name`` is the file's name, as ``iso273.csv``."""
    text = files(__package__).joinpath(name).read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def number(text: str) -> float:
    """A cell as a number."""
    return float(text)
