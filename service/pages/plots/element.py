"""A plot as an SVG element of a page: drawn once as long as its data stay the same."""

from __future__ import annotations

import threading
from functools import lru_cache
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET  # nosec B405  # writes only

from markupsafe import Markup

from service.pages.plots.cleaning import marks, printable
from service.pages.plots.plot import Plot

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

KEPT = 256  # drawings, of 5 to 30 kB each
# The library does not say that it may be used by several threads at once (settings, caches of fonts and transforms are
# shared). Drawing is work of the interpreter, one thread at a time in any case, so a lock costs nothing.
_LOCK = threading.Lock()


@lru_cache(maxsize=KEPT)
def drawn(plot: Plot) -> Markup:
    """The element, with title and description; colours are those of its classes."""
    with _LOCK:
        written = sheet_of(plot).svg()
    width, height = plot.size
    root = ET.Element(
        "svg",
        {
            "class": f"drawn {plot.style}",
            "width": f"{width:.0f}",
            "height": f"{height:.0f}",
            "viewBox": f"0 0 {width:.0f} {height:.0f}",
            "role": "img",
            "aria-labelledby": f"t-{plot.key} d-{plot.key}",
        },
    )
    ET.SubElement(root, "title", {"id": f"t-{plot.key}"}).text = printable(plot.title)
    ET.SubElement(root, "desc", {"id": f"d-{plot.key}"}).text = printable(plot.words)
    root.extend(marks(written))
    return Markup(ET.tostring(root, encoding="unicode"))  # nosec B704  # escaped by the writer of XML


def sheet_of(plot: Plot) -> Sheet:
    """The plot on a sheet of the library, not yet written."""
    from service.pages.plots.sheet import Sheet

    sheet = Sheet(*plot.size)
    plot.draw(sheet)
    return sheet
