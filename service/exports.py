"""Exports: rows as comma-separated values (RFC 4180) or as JSON lines, made piece by piece."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from workers.model.codec import to_json

CSV, JSON_LINES = "text/csv", "application/x-ndjson"
PIECE = 16 * 1024  # bytes, about, that are sent at once

# What spreadsheet programs take as the beginning of a formula (OWASP, CSV injection), wide forms included.
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def csv_pieces(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Iterator[bytes]:
    """A header line and a line a row, in UTF-8. A row's None is an empty cell."""
    return _pieces(_csv_lines(columns, ([row[name] for name in columns] for row in rows)))


def csv_table(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """The same in one piece, of rows in the order of the head. Names in the head may be anyone's."""
    return b"".join(_csv_lines([safe_cell(name) for name in head], rows))


def json_line_pieces(rows: Iterable[Mapping[str, Any]]) -> Iterator[bytes]:
    """One JSON object a line."""
    return _pieces(to_json(row) + b"\n" for row in rows)


def safe_cell(value: Any) -> Any:
    """The value as it is to stand in a cell: text that a spreadsheet would run gets an apostrophe ahead of it."""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA) else value
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else value


def _csv_lines(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[bytes]:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(head)
    for row in rows:
        yield _taken(text)
        writer.writerow([safe_cell(value) for value in row])
    yield _taken(text)


def _taken(text: io.StringIO) -> bytes:
    line = text.getvalue().encode()
    text.seek(0)
    text.truncate()
    return line


def _pieces(lines: Iterable[bytes]) -> Iterator[bytes]:
    piece = bytearray()
    for line in lines:
        piece += line
        if len(piece) >= PIECE:
            yield bytes(piece)
            piece.clear()
    if piece:
        yield bytes(piece)
