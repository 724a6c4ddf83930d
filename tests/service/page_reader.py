"""Reads a page as a browser's parser would: what the tests of the pages look at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset({"meta", "link", "input", "br", "hr", "img", "circle", "rect", "line", "path"})


@dataclass(slots=True)
class Element:
    tag: str
    attributes: dict[str, str | None]
    children: list[Element | str] = field(default_factory=list)

    def get(self, name: str) -> str:
        return self.attributes.get(name) or ""

    def all(self, tag: str | None = None, **wanted: str) -> Iterator[Element]:
        for child in self.children:
            if isinstance(child, Element):
                matches = all(child.get(name.replace("_", "-")) == value for name, value in wanted.items())
                if matches and tag in {None, child.tag}:
                    yield child
                yield from child.all(tag, **wanted)

    def one(self, tag: str | None = None, **wanted: str) -> Element:
        (found,) = self.all(tag, **wanted)
        return found

    def text(self) -> str:
        parts = [child if isinstance(child, str) else child.text() for child in self.children]
        return " ".join(" ".join(parts).split())


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.stack = [Element("document", {})]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, dict(attrs))
        self.stack[-1].children.append(element)
        if tag not in VOID:
            self.stack.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.stack[-1].children.append(Element(tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            opened = self.stack.pop()
            assert opened.tag == tag, f"</{tag}> closes <{opened.tag}>"

    def handle_data(self, data: str) -> None:
        self.stack[-1].children.append(data)


def read(html: str) -> Element:
    """The page as a tree; fails where tags are not closed in order."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert len(reader.stack) == 1, f"<{reader.stack[-1].tag}> is never closed"
    return reader.stack[0]


def fields_of(form: Element) -> dict[str, str]:
    """What the browser would send: values of the inputs, ticked boxes and chosen options."""
    values: dict[str, str] = {}
    for one in form.all("input"):
        if one.get("type") not in {"checkbox", "radio"} or "checked" in one.attributes:
            values[one.get("name")] = one.get("value")
    for one in form.all("select"):
        options = list(one.all("option"))
        chosen = next((o for o in options if "selected" in o.attributes), options[0])
        values[one.get("name")] = chosen.get("value")
    return values
