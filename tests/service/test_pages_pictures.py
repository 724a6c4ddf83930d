"""Each drawing of each page as an image of its own: whole without the page's style, and the same as on the page."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from service.pages import pictures
from service.pages.picture_paint import PAINT, PALETTE
from tests.service.conftest import Caller
from tests.service.page_reader import read
from tests.service.page_tour import paths_of
from tests.service.plot_samples import USUAL, element
from workers.model.errors import NotFoundError

SVG = "{http://www.w3.org/2000/svg}"
STATIC = Path(pictures.__file__).parent / "static"
# Pages without a drawing that has a title: small signs beside words, and strips that a list stands under.
PLAIN = ("queue", "plans", "hand-in", "part", "trials", "studies", "machine", "claim", "outcome", "move", "shop")


def drawings(html: str) -> list[str]:
    return re.findall(r'aria-labelledby="t-([a-z0-9-]+) d-\1"', html)


def test_every_drawing_with_a_title_is_an_image_of_its_own(api: Caller) -> None:
    """SVG 2: a document of its own is well-formed XML in the SVG name space, with a title and a desc."""
    found: dict[str, list[str]] = {}
    for name, path in paths_of(api.app).items():
        page = api.get(path).text
        found[name] = drawings(page)
        linked = re.findall(r'class="picture" href="([^"]+)"', page)
        assert len(linked) == len(found[name]), f"{name}: each drawing has its link"
        for key, address in zip(found[name], linked, strict=True):
            answer = api.get(address.replace("&amp;", "&"))
            assert (answer.status_code, answer.mimetype) == (200, "image/svg+xml"), address
            assert f'filename="{key}.svg"' in answer.headers["Content-Disposition"]
            _stands_alone(answer.text)
    assert {"job", "coverage", "plan", "trial", "study", "models"} <= {name for name, keys in found.items() if keys}
    assert all(not keys for name, keys in found.items() if name in PLAIN)
    assert len(found["job"]) >= 7


def _stands_alone(svg: str) -> None:
    root = ET.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.findtext(f"{SVG}title")
    assert root.findtext(f"{SVG}desc")
    assert float(root.get("width", "0")) > 50
    for one in root.iter():
        assert not {"class", "style", "href"} & set(one.attrib), one.attrib
        if one.tag == f"{SVG}text":
            assert one.get("fill", "").startswith("#")
            assert one.get("font-size")
        elif one.tag in {f"{SVG}path", f"{SVG}circle", f"{SVG}line"}:
            assert one.get("stroke") or one.get("fill"), ET.tostring(one)
    first = next(one for one in root if one.tag == f"{SVG}text")
    assert first.text == root.findtext(f"{SVG}title"), "the title can be read on it"


def test_every_class_of_a_drawing_has_its_colour() -> None:
    """What stands within a drawing with a title, in any template, is painted; for plots see test_plots."""
    templates = STATIC.parent / "templates"
    named = set()
    for one in templates.rglob("*.html"):
        for drawn in re.findall(r"<svg(?:(?!</svg>).)*<title.*?</svg>", one.read_text(encoding="utf-8"), re.DOTALL):
            inside = drawn.partition(">")[2]
            for words in re.findall(r'class="([^"{]+)"', inside):
                named |= set(words.split())
    assert named >= {"axis", "bar-value", "layer-lost"}
    assert named <= set(PAINT), named - set(PAINT)


def test_every_colour_is_used_and_stands_in_the_style_sheets_too() -> None:
    """A plot on a page has its colours from there alone."""
    sheets = "".join(one.read_text(encoding="utf-8") for one in STATIC.glob("*.css"))
    used = {name for plot in USUAL for one in element(plot).iter() for name in one.get("class", "").split()}
    told = set(re.findall(r"\.([a-z0-9-]+)", sheets))
    plain = {"bar-label", "line-1"}  # as all words and lines are
    assert {name for name in used if name in PAINT} - plain <= told
    macros = (STATIC.parent / "templates" / "macros.html").read_text(encoding="utf-8")
    assert set(PAINT) <= used | set(re.findall(r"[a-z0-9-]+", macros))


def test_no_page_has_a_style_of_its_own_or_two_things_of_one_name(api: Caller) -> None:
    """Content Security Policy Level 3: style-src 'self' forbids style attributes and elements. HTML: ids are unique."""
    for name, path in paths_of(api.app).items():
        page = read(api.get(path).text)
        everything = list(page.all())
        assert not [one.tag for one in everything if one.tag == "style" or "style" in one.attributes], name
        ids = [one.get("id") for one in everything if one.get("id")]
        assert len(ids) == len(set(ids)), (name, sorted(one for one in ids if ids.count(one) > 1))


def test_the_colours_are_those_of_the_style_sheet() -> None:
    sheet = (STATIC / "borewright.css").read_text(encoding="utf-8")
    light = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", sheet.partition("}")[0]))
    assert {name: light[name] for name in PALETTE} == dict(PALETTE)


@pytest.mark.parametrize("name", ["none", "../shop", "x y", "t-time", ".*", "("])
def test_what_is_no_drawing_of_the_page_is_not_found(name: str) -> None:
    page = '<svg role="img" aria-labelledby="t-time d-time"><title id="t-time">T</title></svg>'
    with pytest.raises(NotFoundError):
        pictures.picture_of(page, name)


def test_words_of_a_part_stay_words() -> None:
    page = (
        '<svg viewBox="0 0 50 20" aria-labelledby="t-fit-1 d-fit-1">'
        '<title id="t-fit-1">&lt;b&gt; &amp; &#34;c&#34;</title>'
        '<desc id="d-fit-1">d</desc><text x="0" y="0">&lt;script&gt;\x0b\x01</text></svg>'
    )
    made = pictures.picture_of(page, "fit-1")
    assert "<script>" not in made
    assert ET.fromstring(made).findtext(f"{SVG}title") == '<b> & "c"'
