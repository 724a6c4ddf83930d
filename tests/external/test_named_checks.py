"""The checks of the process and learning models against things outside the project are many, and each is named."""

from __future__ import annotations

import ast
import re
from pathlib import Path

HERE = Path(__file__).parent
MODELS = (
    "bead",
    "clog",
    "detail",
    "fit",
    "flow",
    "gauge",
    "learning_*",
    "limits_*",
    "materials",
    "statistics",
    "strength",
    "time",
)
SOURCE = re.compile(
    r"\b(1[789]|20)\d\d\b|ISO \d+|NIST|BDA3|reference|textbook|table|scipy|shapely|by hand|computed|handbook|"
    r"memory|seen|closed form|definition|conservation|any text|law of",
    re.IGNORECASE,
)


def checks() -> dict[str, str]:
    """Name of each check, with what is said at it: its own text, or its module's docstring."""
    found = {}
    for path in sorted(path for model in MODELS for path in HERE.glob(f"test_{model}.py")):
        text = path.read_text(encoding="utf-8")
        tree = ast.parse(text)
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                first = min([node.lineno, *(one.lineno for one in node.decorator_list)])
                own = "\n".join(text.splitlines()[first - 1 : node.end_lineno])
                found[f"{path.stem}.{node.name}"] = own if SOURCE.search(own) else own + (ast.get_docstring(tree) or "")
    return found


def test_the_models_have_at_least_sixty_outside_checks() -> None:
    assert len(checks()) >= 60


def test_each_names_what_it_is_checked_against() -> None:
    assert [name for name, said in checks().items() if not SOURCE.search(said)] == []
