"""The plugin for the GIS viewer as the archive that its plugin manager installs."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

PLUGIN_FILE = "geoirrig_viewer.zip"
PLUGIN_FOLDER = "geoirrig_viewer"  # not the package's own name: the two must not be mistaken
_SOURCE = Path(__file__).parents[1] / "qgis_plugin"
_LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the earliest that an archive can state: same parts, same bytes


def write_plugin(path: Path, commands: Sequence[Mapping[str, Any]], *, version: str) -> None:
    """Write the plugin, with the table of commands that it offers.

    Parameters
    ----------
    path : Path
        Archive to write.
    commands : sequence of mapping
        Name, texts and parameters of each command, as plain values.
    version : str
        Version of this package, which the plugin will ask for.
    """
    texts = {
        source.name: source.read_text(encoding="utf-8")
        for source in sorted(_SOURCE.iterdir())
        if source.suffix in (".py", ".txt")
    }
    texts["metadata.txt"] = texts["metadata.txt"].format(version=version)
    table = {"version": version, "commands": list(commands)}
    texts["commands.json"] = json.dumps(table, ensure_ascii=False, indent=1)
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in texts.items():
            entry = zipfile.ZipInfo(f"{PLUGIN_FOLDER}/{name}", date_time=_LONG_AGO)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, text)
