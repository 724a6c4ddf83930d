"""What the plotting library wrote, as the pages want it: marks with a class, words as words, and nothing else. Pure.

No style, no id, no reference, no colour: those are the style sheet's. What was drawn without a kind is a fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from xml.etree import ElementTree as ET  # nosec B405  # reads what our own process has just written

MARK = "mark:"  # before the kind, in the name of the group that the library writes around each mark
ANCHOR = "@"  # behind the kind of words, before where they begin: start, middle or end
NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2
_SVG, _LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
_FIGURE, _GAP = re.compile(r"-?\d+\.\d+"), re.compile(r"\s*([MLHVCQZz])\s*")
_PLACE = re.compile(r"translate\((\S+) (\S+)\)")
_LEFT_OUT = frozenset({"metadata", "defs", "style"})


def printable(text: str) -> str:
    """One line of characters that a drawing may hold."""
    return " ".join(NOT_XML.sub("", text).split())


def marks(written: str) -> list[ET.Element]:
    """Every mark of a drawing, in order, each a path or a text with its kind as class. Raises ValueError."""
    root = ET.fromstring(written)  # nosec B314  # as above
    shapes = {one.get("id", ""): one.get("d", "") for one in root.iter(f"{_SVG}path")}
    return list(_marks(root, "", shapes))


def _marks(element: ET.Element, kind: str, shapes: Mapping[str, str]) -> Iterator[ET.Element]:
    for one in element:
        tag = one.tag.removeprefix(_SVG)
        if tag in _LEFT_OUT:
            continue
        if tag == "g":
            name = one.get("id", "")
            yield from _marks(one, name.removeprefix(MARK) if name.startswith(MARK) else kind, shapes)
        elif not kind:
            raise ValueError(f"{tag} was drawn without a kind")
        else:
            yield _mark(tag, one, kind, shapes)


def _mark(tag: str, one: ET.Element, kind: str, shapes: Mapping[str, str]) -> ET.Element:
    if tag == "path":
        return ET.Element("path", {"class": kind, "d": _short(one.get("d", ""))})
    if tag == "use":
        place = f"translate({_short(one.get('x', '0'))} {_short(one.get('y', '0'))})"
        return ET.Element("path", {"class": kind, "transform": place, "d": _short(shapes[one.get(_LINK, "")[1:]])})
    if tag == "text":
        return _text(one, kind)
    raise ValueError(f"{tag} has no place in a drawing")


def _text(one: ET.Element, kind: str) -> ET.Element:
    found = _PLACE.match(one.get("transform", ""))
    if found is None:
        raise ValueError("words have no place in the drawing")
    kind, _, anchor = kind.partition(ANCHOR)
    made = ET.Element("text", {"class": kind, "x": _short(found.group(1)), "y": _short(found.group(2))})
    if anchor in {"middle", "end"}:
        made.set("text-anchor", anchor)
    made.text = one.text
    return made


def _short(figures: str) -> str:
    """Two decimals of a px are more than any screen shows."""
    rounded = _FIGURE.sub(lambda found: f"{float(found.group()):.2f}".rstrip("0").rstrip("."), figures)
    return _GAP.sub(r"\1", rounded.replace("-0 ", "0 ")).strip()
