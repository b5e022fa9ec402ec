"""Styles of result layers that are drawn by words."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from geoirrig.io.layer_styles import layer_styles
from geoirrig.symbology import SEVERITY_MARKS
from geoirrig.units import UnitSystem

OGC = "{http://www.opengis.net/ogc}"
COLUMNS = ("finding_id", "kind", "severity", "finding")


@pytest.mark.parametrize("units", ["si", "us"])
def test_layer_styles_layout_findings_has_a_symbol_for_each_severity(units: UnitSystem) -> None:
    (style,) = layer_styles("layout_findings", COLUMNS, "Point", units=units)
    rules = ET.fromstring(style.qml).findall(".//rule")
    assert [rule.get("filter") for rule in rules] == [
        "\"severity\" = 'high'", "\"severity\" = 'medium'", "\"severity\" = 'low'",
    ]  # fmt: skip
    filters = ET.fromstring(style.sld).findall(f".//{OGC}PropertyIsEqualTo")
    assert [(f.findtext(f"{OGC}PropertyName"), f.findtext(f"{OGC}Literal")) for f in filters] == [
        ("severity", "high"),
        ("severity", "medium"),
        ("severity", "low"),
    ]
    sizes = [size_mm for _, _, size_mm in SEVERITY_MARKS]
    assert sizes == sorted(sizes, reverse=True)


def test_layer_styles_layout_findings_without_the_column_has_none() -> None:
    assert layer_styles("layout_findings", ("kind",), "Point", units="si") == ()


@pytest.mark.parametrize("units", ["si", "us"])
def test_layer_styles_changes_tell_a_head_to_add_from_one_to_refit(units: UnitSystem) -> None:
    (style,) = layer_styles("changes", ("head_id", "change"), "Point", units=units)
    rules = ET.fromstring(style.qml).findall(".//rule")
    words = ["add a head", "refit"]
    assert [rule.get("filter") for rule in rules] == [f"\"change\" = '{word}'" for word in words]
    filters = ET.fromstring(style.sld).findall(f".//{OGC}PropertyIsEqualTo")
    assert [f.findtext(f"{OGC}Literal") for f in filters] == words
    assert layer_styles("changes", ("head_id",), "Point", units=units) == ()
