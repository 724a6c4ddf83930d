"""No figure without its source: every number in the models' code and tables says where it comes from.

What is looked at: named constants of process/ and learning/, numbers inside their functions that are not plain
arithmetic (unless the docstring names the source), and the tables' source columns. A constant's source is the comment
on its line, or the comment over the run of lines that it stands in. The words are few: a year of publication, a
standard, "no source" for common practice, "engineering prior", or that the figure is none of nature's ("ours":
rounding, units, seeds).
"""

from __future__ import annotations

import ast
import re
import tokenize
from collections.abc import Iterator
from importlib.resources import files
from io import StringIO
from pathlib import Path

import pytest

from workers.process.tables import rows

PACKAGES = ("workers.process", "workers.learning")
SOURCE = re.compile(r"engineering prior|no source|\bours\b|\b(1[789]|20)\d\d\b|\bISO \d+", re.IGNORECASE)
# Arithmetic: counting, halves and thirds, units (1000, 3600, 1e6 ...). A figure of nature is none of these.
ARITHMETIC = {0, 1, 2, 3, 4, 5, 0.5, 10, 60, 90, 100, 250, 1000, 3600, 1e6, 1e-9, 180, 12}

ROUNDING = {"round", "np.round"}

Figure = tuple[int, float]


def sources() -> list[Path]:
    return sorted(Path(str(one)) for package in PACKAGES for one in files(package).iterdir() if one.name[-3:] == ".py")


def unsourced(text: str) -> list[Figure]:
    """Line and value of each number without a source."""
    tree, said = ast.parse(text), comments(text)
    constants = [node for node in tree.body if isinstance(node, (ast.Assign, ast.AnnAssign))]
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and not documented(node)]
    named = [f for node in constants for f in numbers(node) if not SOURCE.search(near(text, said, node))]
    inside = [f for node in functions for f in numbers(node) if not SOURCE.search(said.get(f[0], ""))]
    return sorted(set(figures(named)) | set(figures(inside)))


def documented(node: ast.FunctionDef) -> bool:
    """Its docstring names the source of what it works out."""
    return bool(SOURCE.search(ast.get_docstring(node) or ""))


def figures(found: list[Figure]) -> Iterator[Figure]:
    return (one for one in found if one[1] not in ARITHMETIC)


def numbers(node: ast.AST) -> list[Figure]:
    """The numbers in a piece of code, but for the places that round() rounds to."""
    calls = [one for one in ast.walk(node) if isinstance(one, ast.Call) and ast.unparse(one.func) in ROUNDING]
    places = {id(argument) for call in calls for argument in call.args[1:]}
    return [
        (one.lineno, one.value)
        for one in ast.walk(node)
        if isinstance(one, ast.Constant) and type(one.value) in (int, float) and id(one) not in places
    ]


def comments(text: str) -> dict[int, str]:
    tokens = tokenize.generate_tokens(StringIO(text).readline)
    return {token.start[0]: token.string for token in tokens if token.type == tokenize.COMMENT}


def near(text: str, said: dict[int, str], node: ast.stmt) -> str:
    """The comments on the statement's own lines, and those over the run of lines without a blank that it stands in."""
    lines, first = text.splitlines(), node.lineno
    while first > 1 and lines[first - 2].strip():
        first -= 1
    own = range(node.lineno, (node.end_lineno or node.lineno) + 1)
    over = [n for n in range(first, node.lineno) if lines[n - 1].lstrip().startswith("#")]
    return " ".join(said.get(n, "") for n in (*over, *own))


@pytest.mark.parametrize("path", sources(), ids=lambda path: f"{path.parent.name}/{path.name}")
def test_every_figure_has_a_source(path: Path) -> None:
    assert unsourced(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("table", sorted(one.name for one in files("workers.process").iterdir() if ".csv" in one.name))
def test_every_row_of_a_table_has_a_source(table: str) -> None:
    assert rows(table)
    assert all(SOURCE.search(row["source"]) for row in rows(table))


def test_a_figure_without_a_source_is_found() -> None:
    assert unsourced("STICTION = 0.37\n") == [(1, 0.37)]
    assert unsourced("def f(x):\n    return 0.37 * x\n") == [(2, 0.37)]
    assert unsourced("# Engineering prior.\nOTHER = 0.2\n\nSTICTION = 0.37\n") == [(4, 0.37)]


def test_a_figure_with_a_source_is_let_through() -> None:
    assert unsourced("# Engineering priors.\nOTHER = 0.2\nSTICTION = 0.37\n") == []
    assert unsourced("STICTION = 0.37  # Coulomb 1785\n") == []
    assert unsourced("HALF = 0.5 * 1000\n") == []
