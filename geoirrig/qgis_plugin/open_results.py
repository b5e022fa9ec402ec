"""Loads what a command wrote, in the order of the project that lies beside it."""

from __future__ import annotations

import os
from collections import deque
from pathlib import Path
from xml.etree import ElementTree

from qgis.core import QgsProcessingContext, QgsProcessingLayerPostProcessorInterface

_PLACE = "geoirrig/place"
_keepers = deque(maxlen=1000)  # the viewer does not own them, and asks for them later
_CLOCK_SLACK_S = 2.0  # some file systems round the time of writing


def open_results(folder, context, *, since):
    """Have the layers of the newest project in the folder loaded when the algorithm is done."""
    project = context.project()
    written = [
        path for path in Path(folder).glob("*.qgs") if path.stat().st_mtime > since - _CLOCK_SLACK_S
    ]
    if project is None or not written:
        return
    root = ElementTree.parse(max(written, key=os.path.getmtime)).getroot()
    sources = {layer.findtext("id"): layer for layer in root.iter("maplayer")}
    for place, node in enumerate(root.iter("layer-tree-layer")):
        layer = sources[node.get("id")]
        source = os.path.normpath(os.path.join(folder, layer.findtext("datasource")))
        details = QgsProcessingContext.LayerDetails(node.get("name"), project, "")
        details.forceName = True
        keeper = _Keeper(
            place,
            is_on=node.get("checked") == "Qt::Checked",
            title=layer.findtext("resourceMetadata/title", ""),
            abstract=layer.findtext("resourceMetadata/abstract", ""),
        )
        _keepers.append(keeper)
        details.setPostProcessor(keeper)
        context.addLayerToLoadOnCompletion(source, details)


class _Keeper(QgsProcessingLayerPostProcessorInterface):
    """Makes a loaded layer what it is in the project: style, texts, place, on or off."""

    def __init__(self, place, *, is_on, title, abstract):
        super().__init__()
        self._place = place
        self._is_on = is_on
        self._title = title
        self._abstract = abstract

    def postProcessLayer(self, layer, context, feedback):  # noqa: N802
        """Called by the viewer when the layer is in its tree, in a style of the viewer's own."""
        layer.loadDefaultStyle()  # ours, which lies in the GeoPackage or beside the raster
        metadata = layer.metadata()
        metadata.setTitle(self._title)
        metadata.setAbstract(self._abstract)
        layer.setMetadata(metadata)
        node = context.project().layerTreeRoot().findLayer(layer)
        if node is None:
            return
        group = node.parent()
        places = [int(other.customProperty(_PLACE, -1)) for other in group.children()]
        later = [at for at, place in enumerate(places) if place > self._place]
        earlier = [at for at, place in enumerate(places) if 0 <= place < self._place]
        at = later[0] if later else max(earlier, default=-1) + 1
        moved = node.clone()
        moved.setCustomProperty(_PLACE, self._place)
        moved.setItemVisibilityChecked(self._is_on)
        moved.setExpanded(False)
        group.insertChildNode(at, moved)
        group.removeChildNode(node)
