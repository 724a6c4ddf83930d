"""The models' pages as Markdown in DEVELOPERS.md, from the one place where they are written.

Run: python -m tests.process.model_docs
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- models -->\n", "<!-- /models -->"


def page(model: dict[str, Any]) -> str:
    formulas = "\n".join(f"    {line}" for line in model["formula"])
    sources = "\n".join(f"- {source}" for source in model["sources"])
    checks = ", ".join(f"`{check}`" for check in model["checks"])
    return (
        f"### {model['title']}\n\n{model['says']}\n\n{formulas}\n\n**Range.** {model['range']}\n\n"
        f"**Sources.**\n\n{sources}\n\n**Learns under.** {model['learns_under']}\n\n**Checked by.** {checks}\n"
    )


def with_models(text: str) -> str:
    """DEVELOPERS.md with its models' part made anew."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    models = json.loads((ROOT / "workers/process/models.json").read_text("utf-8"))
    return before + BEGIN + "\n" + "\n".join(page(model) for model in models) + "\n" + END + after


def main() -> None:
    file = ROOT / "DEVELOPERS.md"
    file.write_text(with_models(file.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()
