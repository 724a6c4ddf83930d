"""The models' pages in DEVELOPERS.md say what the models say of themselves."""

from __future__ import annotations

from tests.process.model_docs import ROOT, with_models


def test_the_pages_in_developers_md_have_not_drifted() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert with_models(text) == text, "run python -m tests.process.model_docs"
