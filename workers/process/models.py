"""The models in words: what each says, its formula, where it holds, its sources and what it is checked against."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from workers.model.codec import from_json


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelPage:
    """Half a page on one model. checks: names of outside checks, as ``module.test`` under tests/external."""

    id: str
    title: str
    says: str
    formula: tuple[str, ...]
    range: str
    sources: tuple[str, ...]
    learns_under: str
    checks: tuple[str, ...]


@cache
def model_pages() -> tuple[ModelPage, ...]:
    return from_json(files(__package__).joinpath("models.json").read_bytes(), tuple[ModelPage, ...])
