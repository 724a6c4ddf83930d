"""What the plotting library wrote, as the pages want it: marks with a class, words as words, and nothing else. Pure.

No style, no id, no reference, no colour: those are the style sheet's. What was drawn without a kind is a fault.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from xml.etree import ElementTree as ET  # nosec B405  # reads what our own process has just written

MARK = "mark:"  # before the kind, in the name of the group that the library writes around each mark
HOW = "@"  # behind the kind: of words, where they stand (start, middle, end); of dots, that they are circles
NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2
_SVG, _LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
_FIGURE, _GAP = re.compile(r"-?\d+\.\d+"), re.compile(r"\s*([MLHVCQZz])\s*")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_PLACE = re.compile(r"translate\((\S+) (\S+)\)")
_LEFT_OUT = frozenset({"metadata", "defs", "style"})


def printable(text: str) -> str:
    """One line of characters that a drawing may hold."""
    return " ".join(NOT_XML.sub("", text).split())


def marks(written: str) -> list[ET.Element]:
    """Every mark of a drawing, in order, each a path, circle or text with its kind as class. Raises ValueError."""
    root = ET.fromstring(written)  # nosec B314  # as above
    shapes = {name: _short(one.get("d", "")) for one in root.iter(f"{_SVG}path") if (name := one.get("id"))}
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
    kind, _, how = kind.partition(HOW)
    if tag == "text":
        return _text(one, kind, how)
    if tag not in {"path", "use"}:
        raise ValueError(f"{tag} has no place in a drawing")
    outline = shapes[one.get(_LINK, "")[1:]] if tag == "use" else _short(one.get("d", ""))
    place = float(one.get("x", 0.0)), float(one.get("y", 0.0))
    if how == "circle":
        return _circle(outline, place, kind)
    made = ET.Element("path", {"class": kind, "d": outline})
    if tag == "use":
        made.set("transform", f"translate({_px(place[0])} {_px(place[1])})")
    return made


def _circle(outline: str, place: tuple[float, float], kind: str) -> ET.Element:
    """A circle in a fifth of the letters of its outline."""
    figures = [float(one) for one in _NUMBER.findall(outline)]
    x, y = figures[::2], figures[1::2]
    middle = {"cx": place[0] + (min(x) + max(x)) / 2.0, "cy": place[1] + (min(y) + max(y)) / 2.0}
    size = {"r": (max(x) - min(x)) / 2.0}
    return ET.Element("circle", {"class": kind} | {name: _px(value) for name, value in (middle | size).items()})


def _text(one: ET.Element, kind: str, anchor: str) -> ET.Element:
    found = _PLACE.match(one.get("transform", ""))
    if found is None:
        raise ValueError("words have no place in the drawing")
    made = ET.Element("text", {"class": kind, "x": _short(found.group(1)), "y": _short(found.group(2))})
    if anchor in {"middle", "end"}:
        made.set("text-anchor", anchor)
    made.text = one.text
    return made


def _px(value: float) -> str:
    """Two decimals of a px are more than any screen shows."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _short(figures: str) -> str:
    rounded = _FIGURE.sub(lambda found: _px(float(found.group())), figures)
    return _GAP.sub(r"\1", rounded.replace("-0 ", "0 ")).strip()
