"""Ready styles of GeoPackage layers, as free map programs read them: symbols, renderers, the whole as text."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree as ET


def new_style(labels: bool = False) -> ET.Element:
    """Return the root of a style; `labels`: it has labels too."""
    if labels:
        return ET.Element("qgis", version="3.34", styleCategories="Symbology|Labeling", labelsEnabled="1")
    return ET.Element("qgis", version="3.34", styleCategories="Symbology")


def add_symbol(
    parent: ET.Element, kind: str, name: str, layer: str, options: Mapping[str, str], alpha: str = "1"
) -> None:
    """Append a symbol with one layer.

    Parameters
    ----------
    kind, layer : fill and SimpleFill, line and SimpleLine, marker and SimpleMarker
    alpha : opacity, 0 to 1
    """
    symbol = ET.SubElement(parent, "symbol", name=name, type=kind, alpha=alpha)
    drawn = ET.SubElement(symbol, "layer", {"class": layer, "enabled": "1", "pass": "0"})
    listed = ET.SubElement(drawn, "Option", type="Map")
    for key, value in options.items():
        ET.SubElement(listed, "Option", name=key, value=value, type="QString")


def single(kind: str, layer: str, options: Mapping[str, str], geometry: int) -> str:
    """Return a style in which all features look alike; `geometry`: as of `finished`."""
    root = new_style()
    renderer = ET.SubElement(root, "renderer-v2", type="singleSymbol", symbollevels="0")
    add_symbol(ET.SubElement(renderer, "symbols"), kind, "0", layer, options)
    return finished(root, geometry)


def finished(root: ET.Element, geometry: int) -> str:
    """Return a style as text; `geometry`: 0 points, 1 lines, 2 polygons."""
    ET.SubElement(root, "layerGeometryType").text = str(geometry)
    return ET.tostring(root, encoding="unicode")
