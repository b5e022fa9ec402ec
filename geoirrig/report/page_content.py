"""Tables, charts and pictures of a page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from xml.etree.ElementTree import Element

from geoirrig.report.cell_values import data_address
from geoirrig.report.elements import element
from geoirrig.report.report_page import (
    BarChart,
    Content,
    ReportPicture,
    ReportSection,
    ReportTable,
    TableColumn,
)

_LONGEST_NAME = 48  # letters; of more, a text is a sentence
# Of each layer of the map, by its label: number of layer and place, None where it has no place.
PlaceNumbers = Mapping[str, Sequence[tuple[int, int] | None]]


def section(told: ReportSection, number: int, places: PlaceNumbers) -> Element:
    """A section with its heading.

    Parameters
    ----------
    told : ReportSection
        What it says.
    number : int
        Its number on the page, for the contents list.
    places : mapping
        Where the places of the map are, by the label of their layer.
    """
    content = [
        _content(part, f"part-{number}-{place}", places)
        for place, part in enumerate(told.content, start=1)
    ]
    return element(
        "section",
        element("h2", told.heading, id=f"section-{number}"),
        *content,
        aria_labelledby=f"section-{number}",
    )


def _content(part: Content, identity: str, places: PlaceNumbers) -> Element:
    if isinstance(part, ReportTable):
        return table(part, identity, places)
    if isinstance(part, BarChart):
        return bar_chart(part, identity)
    if isinstance(part, ReportPicture):
        return picture(part)
    return element("p", part)


def picture(told: ReportPicture) -> Element:
    """A picture with its caption."""
    return element(
        "figure",
        element("img", src=data_address(told.png), alt=told.alternative),
        element("figcaption", told.caption),
    )


def table(told: ReportTable, identity: str, places: PlaceNumbers) -> Element:
    """A table whose headings sort it and whose rows, where they are places, lead to the map."""
    head = element("tr", *(_heading(column) for column in told.columns))
    n_rows = len(told.columns[0].texts)
    targets = places.get(told.places, ())
    body = [
        element("tr", *(_cell(c, row, target=_target(told, row, targets)) for c in told.columns))
        for row in range(n_rows)
    ]
    meanings = [
        part
        for column in told.columns
        if column.meaning
        for part in (element("dt", column.title), element("dd", column.meaning))
    ]
    return element(
        "div",
        element(
            "div",
            element(
                "table",
                element("caption", told.caption, id=identity),
                element("thead", head),
                element("tbody", *body),
                class_="sortable",
            ),
            class_="wide",
            role="region",
            tabindex="0",
            aria_labelledby=identity,
        ),
        element("p", told.note, class_="note") if told.note else None,
        element(
            "details", element("summary", "What the columns say"), element("dl", *meanings)
        )
        if meanings
        else None,
    )  # fmt: skip


def _target(
    told: ReportTable, row: int, targets: Sequence[tuple[int, int] | None]
) -> tuple[int, int] | None:
    """Place of a row; None where the map does not show it."""
    number = told.place_rows[row] if told.place_rows else row
    return targets[number] if 0 <= number < len(targets) else None


def _heading(column: TableColumn) -> Element:
    return element(
        "th",
        element("button", column.title, type="button"),
        scope="col",
        aria_sort="none",
        class_=_cell_class(column),
    )


def _cell_class(column: TableColumn) -> str | None:
    """Numbers are set to the right; a column of sentences is wide."""
    if column.sort_by is not None:
        return "number"
    is_sentences = max(map(len, column.texts), default=0) > _LONGEST_NAME
    return "sentence" if is_sentences else None


def _cell(column: TableColumn, row: int, *, target: tuple[int, int] | None) -> Element:
    text = column.texts[row]
    sort_by = math.nan if column.sort_by is None else float(column.sort_by[row])
    attributes: dict[str, str | None] = {
        "class_": _cell_class(column),
        "data_sort": repr(sort_by) if math.isfinite(sort_by) else None,
    }
    if column.is_name:
        button = (
            element(
                "button", text, type="button", class_="to-place",
                data_layer=str(target[0]), data_place=str(target[1]),
                aria_label=f"{text}: show on the map",
            )
            if target is not None
            else text
        )  # fmt: skip
        return element("th", button, scope="row", **attributes)
    return element("td", text, **attributes)


def bar_chart(told: BarChart, identity: str) -> Element:
    """Bars as a table, so that the values are there for everybody."""
    rows = [
        element(
            "tr",
            element("th", label, scope="row"),
            element("td", _bar(value, told.longest), aria_hidden="true"),
            element("td", text, class_="number"),
        )
        for label, value, text in zip(told.labels, told.values, told.texts, strict=True)
    ]
    return element(
        "table",
        element("caption", told.caption, id=identity),
        element("tbody", *rows),
        class_="bars",
    )


def _bar(value: float, longest: float) -> Element | None:
    if not math.isfinite(value):
        return None
    share = 100.0 * min(1.0, max(0.0, value / longest))
    bar = element("rect", x="0", y="0", width=f"{share:.2f}%", height="100%")
    return element("svg", bar, width="100%", height="12")
