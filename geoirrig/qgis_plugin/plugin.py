"""The plugin as the viewer knows it, and its provider of algorithms."""

from __future__ import annotations

import json
from pathlib import Path

from processing.core.ProcessingConfig import ProcessingConfig, Setting
from qgis.core import QgsApplication, QgsProcessingProvider

from .algorithm import CommandAlgorithm
from .child import PYTHON_SETTING

COMMANDS = Path(__file__).with_name("commands.json")


class GeoirrigPlugin:
    """Adds the provider to the toolbox; there is nothing else to see of the plugin."""

    def __init__(self):
        self._provider = None

    def initProcessing(self):  # noqa: N802
        """Add the provider; all that the headless runner calls."""
        self._provider = GeoirrigProvider()
        QgsApplication.processingRegistry().addProvider(self._provider)

    def initGui(self):  # noqa: N802
        """Add the provider in the viewer's window."""
        self.initProcessing()

    def unload(self):
        """Take the provider away."""
        QgsApplication.processingRegistry().removeProvider(self._provider)


class GeoirrigProvider(QgsProcessingProvider):
    """One algorithm for each command of the table."""

    def id(self):
        """Prefix of the algorithms."""
        return "geoirrig"

    def name(self):
        """Heading in the toolbox."""
        return "geoirrig"

    def load(self):
        """Add the one setting, which Python to run."""
        ProcessingConfig.addSetting(
            Setting(
                self.name(),
                PYTHON_SETTING,
                "Python (3.11 or later) in which geoirrig is installed",
                "",
                valuetype=Setting.FILE,
            )
        )
        ProcessingConfig.readSettings()
        self.refreshAlgorithms()
        return True

    def unload(self):
        """Take the setting away."""
        ProcessingConfig.removeSetting(PYTHON_SETTING)

    def loadAlgorithms(self):  # noqa: N802
        """Make the algorithms from the table."""
        table = json.loads(COMMANDS.read_text(encoding="utf-8"))
        for command in table["commands"]:
            self.addAlgorithm(CommandAlgorithm(command, table["version"]))
