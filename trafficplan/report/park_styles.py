"""Ready styles of the layers of places.gpkg: the best place, other places, refused ones; outlines; ways."""

from __future__ import annotations

from xml.etree import ElementTree as ET

from trafficplan.report.park_picture import COLOURS
from trafficplan.report.style import add_symbol, finished, new_style, single

#: Names of the styles, as a map program lists them.
STYLE_NAMES = {"places": "places by rank", "outlines": "what stands", "ways": "the trailer's way"}
_INK, _PAPER, _QUIET = "31,42,48,255", "255,255,255,255", "140,140,140,255"


def places_style() -> str:
    """Return a style of points by rule: the best place, those that keep all limits, those that do not; numbered."""
    root = new_style(labels=True)
    renderer = ET.SubElement(root, "renderer-v2", type="RuleRenderer", symbollevels="0")
    rules, symbols = ET.SubElement(renderer, "rules", key="all"), ET.SubElement(renderer, "symbols")
    looks = (
        ("the place advised", '"rank" = 1', _INK, _PAPER, "5"),
        ("keeps all limits", '"keeps_limits" and "rank" > 1', _PAPER, _INK, "4"),
        ("refused", 'not "keeps_limits"', _PAPER, _QUIET, "3"),
    )
    for i, (label, rule, fill, edge, size) in enumerate(looks):
        ET.SubElement(rules, "rule", key=str(i), symbol=str(i), filter=rule, label=label)
        options = {"name": "circle", "color": fill, "outline_color": edge, "outline_width": "0.4", "size": size}
        add_symbol(symbols, "marker", str(i), "SimpleMarker", options)
    labels = ET.SubElement(root, "labeling", type="simple")
    shown = ET.SubElement(ET.SubElement(labels, "settings", calloutType="simple"), "text-style")
    shown.attrib |= {"fieldName": "place", "isExpression": "0", "fontSize": "8", "textColor": _INK}
    return finished(root, 0)


def outlines_style() -> str:
    """Return a style of what stands: filled with ink."""
    return single("fill", "SimpleFill", {"color": _INK, "style": "solid", "outline_color": _INK}, 2)


def ways_style() -> str:
    """Return a style of the trailer's ways: thin broken lines in the darkest colour of the map of crossings."""
    colour = ",".join(str(part) for part in COLOURS[-1]) + ",255"
    return single("line", "SimpleLine", {"line_color": colour, "line_width": "0.4", "line_style": "dash"}, 1)
