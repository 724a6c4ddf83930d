"""A 3MF package before anything is parsed: zip directory, names, sizes and XML that must not be there."""

from __future__ import annotations

import io
import re
import zipfile
from xml.parsers import expat

from workers.geometry.errors import MeshRefusedError, MeshTooLargeError, MeshUnsupportedError
from workers.geometry.limits import MIB, MeshLimits

_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_CHUNK = 1 << 20
# Extensions of 3MF that change nothing about the solid, or whose solid is read: materials and properties
# (colours), production (parts spread over files), triangle sets.
_READ_EXTENSIONS = {
    "http://schemas.microsoft.com/3dmanufacturing/core/2015/02",
    "http://schemas.microsoft.com/3dmanufacturing/material/2015/02",
    "http://schemas.microsoft.com/3dmanufacturing/production/2015/06",
    "http://schemas.microsoft.com/3dmanufacturing/trianglesets/2021/07",
}


def check_package(data: bytes, limits: MeshLimits) -> None:
    """Raises MeshRefusedError unless the package is safe to hand to the 3MF reader."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            entries = package.infolist()
            _check_directory(entries, limits)
            for entry in entries:
                _check_part(package, entry)
    except MeshRefusedError:
        raise
    except (zipfile.BadZipFile, EOFError, OSError, ValueError, NotImplementedError, RuntimeError) as problem:
        raise MeshRefusedError(f"The 3MF's zip is damaged: {str(problem)[:120]}.") from problem
    except Exception as problem:
        if type(problem).__module__ == "zlib":
            raise MeshRefusedError(f"The 3MF's zip is damaged: {problem}.") from problem
        raise


def _check_directory(entries: list[zipfile.ZipInfo], limits: MeshLimits) -> None:
    if len(entries) > limits.package_parts:
        raise MeshTooLargeError(f"The 3MF's zip has {len(entries):,} entries; the limit is {limits.package_parts:,}.")
    total = sum(entry.file_size for entry in entries)
    if total > limits.unpacked_bytes:
        raise MeshTooLargeError(
            f"The 3MF unpacks to {total / MIB:,.1f} MiB; the limit is {limits.unpacked_bytes / MIB:g} MiB."
        )
    seen: set[str] = set()
    for entry in entries:
        _check_name(entry, seen)


def _check_name(entry: zipfile.ZipInfo, seen: set[str]) -> None:
    name = entry.orig_filename
    steps = name.replace("\\", "/").split("/")
    if name.startswith(("/", "\\")) or "\\" in name or ".." in steps or ":" in steps[0] or "\0" in name:
        raise MeshRefusedError(f"The 3MF's zip has an entry that leaves the package: {name[:80]!r}.")
    if name.lower() in seen:
        raise MeshRefusedError(f"The 3MF's zip has the entry {name[:80]!r} twice.")
    seen.add(name.lower())
    if entry.flag_bits & 0x1:
        raise MeshUnsupportedError(f"The 3MF's entry {name[:80]!r} is encrypted.")
    if entry.compress_type not in _METHODS:
        raise MeshUnsupportedError(
            f"The 3MF's entry {name[:80]!r} is packed by method {entry.compress_type}; only deflate is read."
        )


def _check_part(package: zipfile.ZipFile, entry: zipfile.ZipInfo) -> None:
    """Unpacks one entry in bounded steps: its true size and checksum must be those of the directory."""
    is_xml = entry.filename.lower().endswith((".model", ".rels", ".xml"))
    tail, root = b"", b""
    with package.open(entry) as part:
        while block := part.read(_CHUNK):
            if not is_xml:
                continue
            root = root or block
            _refuse_declarations(tail + block, entry.filename)
            tail = block[-64:]
    if entry.filename.lower().endswith(".model"):
        _check_extensions(root, entry.filename)


def _refuse_declarations(xml: bytes, name: str) -> None:
    """No document type and no entities, in any two-byte encoding either: 3MF forbids both."""
    if re.search(rb"<!(DOCTYPE|ENTITY)", xml.replace(b"\0", b""), re.IGNORECASE):
        raise MeshRefusedError(f"The 3MF's part {name[:80]!r} holds a DOCTYPE or ENTITY, which 3MF forbids.")


class _RootSeenError(Exception):
    """Stops the XML parser after the first element."""


def _check_extensions(head: bytes, name: str) -> None:
    """Raises MeshUnsupportedError when the model requires an extension that is not read here."""
    attributes: dict[str, str] = {}

    def take(_tag: str, found: dict[str, str]) -> None:
        attributes.update(found)
        raise _RootSeenError

    parser = expat.ParserCreate()
    parser.StartElementHandler = take
    try:
        parser.Parse(head, False)
    except _RootSeenError:
        pass
    except expat.ExpatError as problem:
        raise MeshRefusedError(f"The 3MF's part {name[:80]!r} is not XML: {problem}.") from problem
    for prefix in attributes.get("requiredextensions", "").split():
        space = attributes.get(f"xmlns:{prefix}", f"undeclared prefix {prefix}")
        if space not in _READ_EXTENSIONS:
            raise MeshUnsupportedError(f"The 3MF requires an extension that is not supported: {space[:120]}.")
