"""Run by the viewer's own Python: the plugin's algorithm as the toolbox runs it, results opened.

Arguments: the folder that the plugin's folder lies in, the site, the folder for the results, and
the step of the work at which the user cancels, or nothing.
"""

import json
import sys
from pathlib import Path

PLUGINS, SITE, OUT, CANCEL_AT = sys.argv[1:5]
sys.path[:0] = [PLUGINS, "/usr/share/qgis/python/plugins"]
# ruff: noqa: E402 - what follows lies in those folders

from geoirrig_viewer.plugin import GeoirrigPlugin
from processing.core.Processing import Processing
from processing.gui.Postprocessing import handleAlgorithmResults
from qgis.core import (
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
)


class Listener(QgsProcessingFeedback):
    """A user who reads the steps, and may cancel at one."""

    steps: list = []  # noqa: RUF012 - one object of the class

    def setProgressText(self, text):  # noqa: N802 - the viewer's name
        self.steps.append(text)
        if CANCEL_AT and CANCEL_AT in text:
            self.cancel()


def main() -> None:
    QgsApplication.setPrefixPath("/usr", True)
    application = QgsApplication([], False)
    application.initQgis()
    Processing.initialize()
    plugin = GeoirrigPlugin()
    plugin.initProcessing()
    project = QgsProject.instance()
    context, feedback = QgsProcessingContext(), Listener()
    context.setProject(project)
    algorithm = QgsApplication.processingRegistry().createAlgorithmById("geoirrig:analyze")
    inputs = {"SITE": SITE, "CELL": 0.25, "OUT": OUT}
    results, is_done = algorithm.run(inputs, context, feedback)
    steps = list(feedback.steps)
    handleAlgorithmResults(algorithm, context, feedback, False, inputs)
    facts = {
        "done": is_done,
        "results": sorted(results),
        "steps": steps,
        "files": sorted(path.name for path in Path(OUT).parent.iterdir()),
        "layers": [
            {
                "name": node.name(),
                "shown": node.isVisible(),
                "title": node.layer().metadata().title(),
                "renderer": node.layer().renderer().type() if node.layer().renderer() else None,
            }
            for node in project.layerTreeRoot().findLayers()
        ],
    }
    plugin.unload()
    project.clear()
    sys.stdout.write(json.dumps(facts))
    del algorithm, context
    application.exitQgis()


main()
