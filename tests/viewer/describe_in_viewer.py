"""Run by the viewer's own Python: opens results and prints as JSON what the viewer makes of them.

Arguments: the folder of results, and optionally a picture to render (vector layers over a raster).
"""

import json
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

LAYERS = (
    "head_results", "runoff_hotspots", "dry_spots", "overspray", "zone_results", "turf_results",
)  # fmt: skip


def vector_facts(layer: QgsVectorLayer) -> dict:
    renderer = layer.renderer()
    return {
        "valid": layer.isValid(),
        "renderer": renderer.type(),
        "labels": [item.label() for item in renderer.legendSymbolItems()],
        "aliases": {field.name(): field.alias() for field in layer.fields()},
        "features": layer.featureCount(),
        "labelled": layer.labelsEnabled(),
    }


def raster_facts(layer: QgsRasterLayer) -> dict:
    return {
        "valid": layer.isValid(),
        "renderer": layer.renderer().type(),
        "labels": [label for label, _ in layer.renderer().legendSymbologyItems()],
        "colours": [colour.name() for _, colour in layer.renderer().legendSymbologyItems()],
    }


def render(layers: list, path: Path) -> None:
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(layers[-1].crs())
    settings.setExtent(layers[-1].extent())
    settings.setOutputSize(QSize(900, 700))
    settings.setBackgroundColor(QColor("white"))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(str(path))


def main() -> None:
    folder = Path(sys.argv[1])
    QgsApplication.setPrefixPath("/usr", True)
    application = QgsApplication([], False)
    application.initQgis()
    package = folder / "results.gpkg"
    vectors = {name: QgsVectorLayer(f"{package}|layername={name}", name, "ogr") for name in LAYERS}
    rasters = {path.stem: QgsRasterLayer(str(path)) for path in sorted(folder.glob("*.tif"))}
    facts = {
        "vectors": {name: vector_facts(layer) for name, layer in vectors.items()},
        "rasters": {name: raster_facts(layer) for name, layer in rasters.items()},
    }
    if len(sys.argv) > 2:
        render(list(vectors.values()), Path(sys.argv[2]).with_suffix(".vector.png"))
        for name, layer in rasters.items():
            render([layer], Path(sys.argv[2]).with_suffix(f".{name}.png"))
    sys.stdout.write(json.dumps(facts))
    del vectors, rasters  # before the application goes, which owns what they use
    application.exitQgis()


main()
