"""What a file is, by its bytes: a declared format that the bytes deny is refused."""

from __future__ import annotations

import re

from workers.geometry.errors import MeshRefusedError, MeshTypeError

FORMATS = ("stl", "3mf", "obj", "ply", "off")
_OBJ_WORDS = {b"v", b"vn", b"vt", b"vp", b"f", b"o", b"g", b"s", b"l", b"p", b"mtllib", b"usemtl"}
_HEAD = 4096


def sniffed_format(data: bytes, declared: str | None) -> str:
    """One of FORMATS. Raises MeshTypeError when unknown or when ``declared`` says otherwise."""
    if not data:
        raise MeshRefusedError("The file is empty.")
    found = _by_content(data)
    if declared is None:
        if found is None:
            raise MeshTypeError(f"The file is none of the mesh formats read here ({', '.join(FORMATS)}).")
        return found
    return _agreed(declared.lower().lstrip("."), found)


def _agreed(declared: str, found: str | None) -> str:
    if declared not in FORMATS:
        raise MeshTypeError(f"Format {declared[:20]!r} is not read here; one of {', '.join(FORMATS)}.")
    if found is None and declared == "stl":
        return declared  # a binary STL of the wrong length: the reader says by how much
    if found != declared:
        content = f"that of {found}" if found else "none that is known"
        raise MeshTypeError(f"The file is declared as {declared}, but its content is {content}.")
    return declared


def _by_content(data: bytes) -> str | None:
    head = data[:_HEAD]
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return "3mf"
    if re.match(rb"ply\s*[\r\n]", head):
        return "ply"
    if is_binary_stl(data):
        return "stl"
    if re.match(rb"(?:\s|#[^\n]*\n)*(ST|C|N|CN)?OFF\b", head):
        return "off"
    if re.match(rb"\s*solid\b", head, re.IGNORECASE) and re.search(rb"facet|endsolid", head, re.IGNORECASE):
        return "stl"
    return "obj" if _looks_like_obj(head) else None


def is_binary_stl(data: bytes) -> bool:
    """80 bytes of header, a count n, and n records of 50 bytes: nothing more and nothing less."""
    return len(data) >= 84 and len(data) == 84 + 50 * int.from_bytes(data[80:84], "little")


def _looks_like_obj(head: bytes) -> bool:
    if b"\0" in head:
        return False
    lines = [line.strip() for line in head.splitlines()[:200]]
    words = [line.split(None, 1)[0] for line in lines if line and not line.startswith(b"#")]
    return bool(words) and sum(word in _OBJ_WORDS for word in words) >= 0.9 * len(words)
