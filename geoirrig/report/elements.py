"""Elements of a page. Text and attributes are escaped when they are written, whatever they hold."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

Child = Element | str | None


def element(tag: str, *children: Child, **attributes: str | bool | None) -> Element:
    """An element with its children in order.

    Parameters
    ----------
    tag : str
        Its name.
    *children : Element, str or None
        Elements and text; None is left out.
    **attributes : str, bool or None
        ``aria_label`` is ``aria-label``, ``class_`` is ``class``; False and None are left out.

    Examples
    --------
    >>> written(element("p", "a < b", class_="note"))
    '<p class="note">a &lt; b</p>'
    """
    made = Element(tag)
    for name, value in attributes.items():
        if value is not None and value is not False:
            made.set(name.rstrip("_").replace("_", "-"), "" if value is True else value)
    add(made, children)
    return made


def add(parent: Element, children: Iterable[Child]) -> None:
    """Put children at the end of an element."""
    for child in children:
        if isinstance(child, str):
            last = parent[-1] if len(parent) else None
            if last is None:
                parent.text = (parent.text or "") + child
            else:
                last.tail = (last.tail or "") + child
        elif child is not None:
            parent.append(child)


def written(top: Element) -> str:
    """An element as HTML."""
    return ElementTree.tostring(top, encoding="unicode", method="html")


def json_for_page(data: Any) -> str:
    r"""JSON that no script element ends early: ``<`` is written as an escape.

    Examples
    --------
    >>> print(json_for_page({"id": "</script>"}))
    {"id":"\u003c/script>"}
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # The two separators end a line in old readings of a script.
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
