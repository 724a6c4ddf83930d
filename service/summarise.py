"""`borewright summarise`: the geometry summary of one mesh file, printed as JSON that /v1/parts takes as it is."""

from __future__ import annotations

import sys
from pathlib import Path

from service.settings import Settings
from workers.geometry.limits import MeshLimits
from workers.geometry.picture import worst_layer_svg
from workers.geometry.sandbox import run_summary
from workers.model.codec import to_json, to_plain
from workers.model.errors import BorewrightError
from workers.model.part import GeometrySummary


class FileError(RuntimeError):
    """A file cannot be read or written; the text is one sentence for the user."""


def run_summarise(file: Path, *, unit: str, fmt: str | None, picture: Path | None, settings: Settings) -> int:
    """Print the summary; draw the worst layer if asked. Gives the exit code: 1 when the mesh was refused.

    Raises FileError.
    """
    limits = MeshLimits(
        upload_bytes=settings.upload_limit_bytes,
        triangles=settings.triangle_limit,
        seconds=float(settings.analysis_limit_s),
        memory_bytes=settings.analysis_memory_bytes,
    )
    try:
        summary = run_summary(_read(file), fmt=fmt, unit=unit, limits=limits)
    except BorewrightError as error:
        print(f"borewright: {file}: {error.detail}", file=sys.stderr)
        return 1
    if picture is not None:
        _write(picture, worst_layer_svg(summary))
    print(summary_text(summary))
    return 0


def summary_text(summary: GeometrySummary) -> str:
    """JSON with one field of the summary a line."""
    lines = (f"  {to_json(name).decode()}: {to_json(value).decode()}" for name, value in to_plain(summary).items())
    return "{\n" + ",\n".join(lines) + "\n}"


def _read(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise FileError(f"{file} cannot be read: {error.strerror}.") from error


def _write(file: Path, text: str) -> None:
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FileError(f"{file} cannot be written: {error.strerror}.") from error
