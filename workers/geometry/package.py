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
    reader = _XmlReader(entry.filename) if entry.filename.lower().endswith((".model", ".rels", ".xml")) else None
    with package.open(entry) as part:
        while block := part.read(_CHUNK):
            if reader:
                reader.feed(block)
    if reader:
        reader.end()


class _XmlReader:
    """Checks that a part is well-formed XML without document types and entities, and what its root requires."""

    def __init__(self, name: str) -> None:
        self._name = repr(name[:80])
        self._tail = b""
        self._root: dict[str, str] = {}
        self._parser = expat.ParserCreate()
        self._parser.StartElementHandler = self._take_root

    def feed(self, block: bytes) -> None:
        # Read without zero bytes so that two-byte encodings hide nothing.
        text = (self._tail + block).replace(b"\0", b"")
        if re.search(rb"<!(DOCTYPE|ENTITY)", text, re.IGNORECASE):
            raise MeshRefusedError(f"The 3MF's part {self._name} holds a DOCTYPE or ENTITY, which 3MF forbids.")
        self._tail = block[-64:]
        self._parse(block, False)

    def end(self) -> None:
        self._parse(b"", True)
        for prefix in self._root.get("requiredextensions", "").split():
            space = self._root.get(f"xmlns:{prefix}", f"undeclared prefix {prefix}")
            if space not in _READ_EXTENSIONS:
                raise MeshUnsupportedError(f"The 3MF requires an extension that is not supported: {space[:120]}.")

    def _parse(self, block: bytes, last: bool) -> None:
        try:
            self._parser.Parse(block, last)
        except expat.ExpatError as problem:
            raise MeshRefusedError(f"The 3MF's part {self._name} is not well-formed XML: {problem}.") from problem
        except (LookupError, ValueError) as problem:  # an encoding that is not known, or not to this parser
            raise MeshRefusedError(f"The 3MF's part {self._name} cannot be read: {str(problem)[:100]}.") from problem

    def _take_root(self, _tag: str, attributes: dict[str, str]) -> None:
        self._root = attributes
        self._parser.StartElementHandler = None
