"""A drawing of a page as an image of its own: the same marks with their own colours, its title and words in it.

Colours are written at each element, so the image needs no style sheet and no other file, wherever it is put.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterator
from xml.etree import ElementTree as ET  # nosec B405  # reads our own pages only

from flask import Blueprint, Response, current_app, request, url_for
from markupsafe import Markup

from service.pages.picture_paint import PAINT, PALETTE, TEXT, TICK
from service.pages.plots.cleaning import NOT_XML
from workers.model.errors import NotFoundError

SVG = "http://www.w3.org/2000/svg"
MARGIN, LINE = 12.0, 16.0  # user units around the drawing; of a line of words
LETTER = 6.0  # width of a letter of the words, about
NAME = re.compile(r"[a-z0-9-]{1,40}")
PASSED_ON = ("after", "key")  # of a page's address: its pictures are of the same part of it

PageView = Callable[..., str]


def add_pictures(blueprint: Blueprint, rule: str, endpoint: str, view: PageView) -> None:
    """Give every drawing of a page an address of its own under the page's: ``view`` renders the page."""
    blueprint.add_url_rule(f"{rule}/pictures/<name>.svg", f"{endpoint}_picture", _picture_view(view))


def picture_link(name: str, page: str = "") -> Markup:
    """The link to a drawing of the page that is being rendered (or of ``page``); nothing where it has no address."""
    endpoint = f"{page or (request.endpoint or '').removesuffix('_picture')}_picture"
    if endpoint not in current_app.view_functions:
        return Markup("")
    passed = {word: request.args[word] for word in PASSED_ON if word in request.args}
    address = url_for(endpoint, **{**(request.view_args or {}), **passed, "name": name})
    return Markup('<a class="picture" href="{}" download>Picture (SVG)</a>').format(address)


def picture_response(page: str, name: str) -> Response:
    """Raises NotFoundError where the page has no such drawing."""
    response = Response(picture_of(page, name), mimetype="image/svg+xml")
    response.headers["Content-Disposition"] = f'inline; filename="{name}.svg"'
    response.headers["Cache-Control"] = "no-store"
    return response


def picture_of(page: str, name: str) -> str:
    """The drawing called ``name`` (its title has the id t-NAME) out of a page. Raises NotFoundError."""
    pattern = rf'<svg\b[^>]*\baria-labelledby="t-{name} d-{name}"[^>]*>.*?</svg>'
    found = re.search(pattern, page, re.DOTALL) if NAME.fullmatch(name) else None
    if found is None:
        raise NotFoundError("the page has no such picture")
    drawn = NOT_XML.sub("", found.group())
    return _alone(ET.fromstring(drawn))  # nosec B314  # our own page, escaped by its template


def _picture_view(view: PageView) -> Callable[..., Response]:
    def give(name: str, **named: str) -> Response:
        return picture_response(view(**named), name)

    return give


def _alone(drawn: ET.Element) -> str:
    """The drawing on paper, under its title and above its words."""
    x, y, width, height = (float(one) for one in (drawn.get("viewBox") or "0 0 100 100").split())
    title, words = drawn.findtext("title") or "", drawn.findtext("desc") or ""
    broken = textwrap.wrap(words, max(int(width / LETTER), 30))
    above = LINE * 1.8
    root = ET.Element("svg", _frame(width, height, above, len(broken)))
    ET.SubElement(root, "title").text, ET.SubElement(root, "desc").text = title, words
    ET.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": PALETTE["paper"]})
    _write(root, title, MARGIN, MARGIN + 10.0, TEXT | {"font-weight": "600"})
    inner = ET.SubElement(root, "g", {"transform": f"translate({MARGIN - x:g} {above - y:g})"})
    inner.extend(_painted(drawn))
    for i, line in enumerate(broken):
        _write(root, line, MARGIN, above + height + LINE * (i + 1.2), TICK)
    return ET.tostring(root, encoding="unicode")


def _frame(width: float, height: float, above: float, lines: int) -> dict[str, str]:
    wide, high = width + 2.0 * MARGIN, above + height + LINE * (lines + 1.0)
    return {
        "xmlns": SVG,
        "viewBox": f"0 0 {wide:g} {high:g}",
        "width": f"{wide:g}",
        "height": f"{high:g}",
        "role": "img",
    }


def _write(parent: ET.Element, text: str, x: float, y: float, paint: dict[str, str]) -> None:
    ET.SubElement(parent, "text", {"x": f"{x:g}", "y": f"{y:g}", **paint}).text = text


def _painted(drawn: ET.Element) -> Iterator[ET.Element]:
    """What is drawn, every class turned into the attributes that it stands for."""
    for one in drawn:
        if one.tag in {"title", "desc"}:
            continue
        for element in one.iter():
            names = (element.attrib.pop("class", "") or "").split()
            paint = dict(TEXT) if element.tag == "text" else {}
            for name in names:
                paint |= PAINT.get(name, {})
            for attribute, value in paint.items():
                element.set(attribute, value)
        yield one
