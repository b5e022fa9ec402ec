"""A command of the table as an algorithm of the toolbox."""

from __future__ import annotations

import html
import json
import os
import time

from processing.core.ProcessingConfig import ProcessingConfig
from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
)
from qgis.PyQt.QtCore import QCoreApplication, QThread

from .child import PYTHON_SETTING, ChildRefusedError, ChildStoppedError, run_command
from .open_results import open_results
from .parameters import RESULTS, command_arguments, viewer_parameter

_OPEN = "OPEN_RESULTS"
_SUMMARY, _SUMMARY_FILE = "SUMMARY", "SUMMARY_FILE"


class CommandAlgorithm(QgsProcessingAlgorithm):
    """Runs one command of geoirrig as a child process and opens what it wrote."""

    def __init__(self, command, version):
        super().__init__()
        self._command = command
        self._version = version
        self._writes = any(entry["kind"] == "results" for entry in command["parameters"])
        self._arguments = []
        self._folder = ""

    def createInstance(self):  # noqa: N802
        """Another one of the same command."""
        return CommandAlgorithm(self._command, self._version)

    def name(self):
        """Id, without dashes as the viewer wants it."""
        return self._command["name"].replace("-", "_")

    def displayName(self):  # noqa: N802
        """Name in the toolbox."""
        return self._command["title"]

    def shortDescription(self):  # noqa: N802
        """What the command does, for a tooltip."""
        return self._command["summary"]

    def shortHelpString(self):  # noqa: N802
        """What the command does, and every parameter."""
        paragraphs = [html.escape(self._command["help"])]
        paragraphs += [
            f"<b>{html.escape(entry['title'])}</b>: {html.escape(entry['help'])}"
            for entry in self._command["parameters"]
        ]
        return "".join(f"<p>{paragraph}</p>" for paragraph in paragraphs)

    def initAlgorithm(self, configuration=None):  # noqa: N802
        """Parameters as the table has them; then whether the results are opened."""
        for entry in self._command["parameters"]:
            self.addParameter(viewer_parameter(entry))
        self.addOutput(QgsProcessingOutputString(_SUMMARY, "Summary as JSON"))
        if self._writes:
            self.addParameter(
                QgsProcessingParameterBoolean(_OPEN, "Open the results when done", True)
            )
            self.addOutput(QgsProcessingOutputFile(_SUMMARY_FILE, "Summary"))

    def prepareAlgorithm(self, parameters, context, feedback):  # noqa: N802
        """Read the parameters, in the thread that owns the layers."""
        entries = self._command["parameters"]
        self._arguments = [
            self._command["name"],
            "--json-lines",
            *command_arguments(entries, self, parameters, context),
        ]
        if self._writes:
            self._folder = os.path.abspath(self.parameterAsString(parameters, RESULTS, context))
        return True

    def processAlgorithm(self, parameters, context, feedback):  # noqa: N802
        """Run the command; an input error is told as the command tells it."""
        begun = time.time()

        def tell(step, share):
            feedback.setProgressText(step)
            if share is not None:
                feedback.setProgress(100.0 * share)

        def is_cancelled():
            # The headless runner runs us in its one thread, and learns of an interrupt by an event.
            if QThread.currentThread() == QCoreApplication.instance().thread():
                QCoreApplication.processEvents()
            return feedback.isCanceled()

        python = ProcessingConfig.getSetting(PYTHON_SETTING) or os.environ.get(PYTHON_SETTING, "")
        try:
            summary, said = run_command(
                python,
                self._version,
                self._arguments,
                tell=tell,
                is_cancelled=is_cancelled,
            )
        except ChildStoppedError as stopped:
            feedback.pushInfo(str(stopped))
            return {}
        except ChildRefusedError as refused:
            raise QgsProcessingException("\n".join(refused.problems)) from None
        for warning in (*summary.get("warnings", ()), *said):
            feedback.pushWarning(warning)
        found = {_SUMMARY: json.dumps(summary)}
        if self._writes:
            found[RESULTS] = self._folder
            found[_SUMMARY_FILE] = os.path.join(self._folder, "summary.json")
            if self.parameterAsBool(parameters, _OPEN, context):
                open_results(self._folder, context, since=begun)
        feedback.setProgress(100.0)
        return found
