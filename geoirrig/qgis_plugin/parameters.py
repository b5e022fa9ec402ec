"""Parameters of an algorithm from the table of commands, and the options that come of them.

Each kind of the table has a row in `KINDS`: what makes the parameter of the viewer, and what makes
the texts for the command line from the value given.
"""

from __future__ import annotations

import os

from qgis.core import (
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
    QgsProviderRegistry,
)

RESULTS = "OUT"
_GEOMETRY = {
    "point": QgsProcessing.TypeVectorPoint,
    "polygon": QgsProcessing.TypeVectorPolygon,
    "any": QgsProcessing.TypeVector,
}


def viewer_parameter(entry):
    """The parameter of the viewer for an entry of the table."""
    make, _ = KINDS[entry["kind"]]
    parameter = make(entry)
    parameter.setHelp(entry["help"])
    if entry["advanced"]:
        parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
    return parameter


def command_arguments(entries, algorithm, values, context):
    """Texts for the command line from what the user gave; what was not given is left out."""
    found = []
    for entry in entries:
        given = values.get(entry["name"])
        if entry["kind"] == "results" or not (given is None or given == "" or given == []):
            _, texts = KINDS[entry["kind"]]
            found += texts(entry, algorithm, values, context)
    return found


def _common(entry):
    return {
        "name": entry["name"],
        "description": entry["title"],
        "optional": not entry["required"],
    }


def _with_default(entry):
    return {**_common(entry), "defaultValue": entry["default"]}


def _option(entry, text):
    """``--option=text``, so that a text that begins with a dash is no option; or an argument."""
    return [f"{entry['option']}={text}" if entry["option"] else text]


# --- numbers, words, switches --------------------------------------------------------------------


def _number(entry):
    kinds = QgsProcessingParameterNumber
    kind = kinds.Integer if entry["kind"] == "integer" else kinds.Double
    return QgsProcessingParameterNumber(type=kind, **_with_default(entry))


def _number_texts(entry, algorithm, values, context):
    if entry["kind"] == "integer":
        return _option(entry, str(algorithm.parameterAsInt(values, entry["name"], context)))
    return _option(entry, repr(algorithm.parameterAsDouble(values, entry["name"], context)))


def _text(entry):
    return QgsProcessingParameterString(**_with_default(entry))


def _text_texts(entry, algorithm, values, context):
    text = algorithm.parameterAsString(values, entry["name"], context)
    parts = text.split(";") if entry["multiple"] else [text]
    return [t for part in parts if part.strip() for t in _option(entry, part.strip())]


def _choice(entry):
    return QgsProcessingParameterEnum(
        options=entry["choices"], usesStaticStrings=True, **_with_default(entry)
    )


def _choice_texts(entry, algorithm, values, context):
    return _option(entry, algorithm.parameterAsEnumString(values, entry["name"], context))


def _switch(entry):
    return QgsProcessingParameterBoolean(**_with_default(entry))


def _switch_texts(entry, algorithm, values, context):
    return [entry["option"]] if algorithm.parameterAsBool(values, entry["name"], context) else []


def _crs(entry):
    return QgsProcessingParameterCrs(**_common(entry))


def _crs_texts(entry, algorithm, values, context):
    code = algorithm.parameterAsCrs(values, entry["name"], context).authid()
    if not code.startswith("EPSG:"):
        raise QgsProcessingException(
            f"{entry['title']}: a CRS with an EPSG code is needed. Choose one from the list."
        )
    return _option(entry, code)


# --- files and layers ----------------------------------------------------------------------------


def _file(entry):
    if entry["multiple"]:
        return QgsProcessingParameterMultipleLayers(
            layerType=QgsProcessing.TypeFile, **_common(entry)
        )
    behaviour = (
        QgsProcessingParameterFile.Folder
        if entry["kind"] == "folder"
        else QgsProcessingParameterFile.File
    )
    extension = entry["extension"]
    file_filter = f"{extension.upper()} (*.{extension})" if extension else ""
    return QgsProcessingParameterFile(
        behavior=behaviour, fileFilter=file_filter, **_with_default(entry)
    )


def _file_texts(entry, algorithm, values, context):
    if entry["multiple"]:
        paths = algorithm.parameterAsFileList(values, entry["name"], context)
    else:
        paths = [algorithm.parameterAsFile(values, entry["name"], context)]
    return [text for path in paths for text in _option(entry, os.path.abspath(path))]


def _vector(entry):
    return QgsProcessingParameterVectorLayer(types=[_GEOMETRY[entry["geometry"]]], **_common(entry))


def _vector_texts(entry, algorithm, values, context):
    layer = algorithm.parameterAsVectorLayer(values, entry["name"], context)
    parts = _file_of(entry, layer, provider="ogr")
    if layer.isEditable() and layer.isModified():
        raise QgsProcessingException(
            f"{entry['title']}: layer {layer.name()!r} has edits that are not saved. Save them."
        )
    if parts.get("subset") or layer.subsetString():
        raise QgsProcessingException(
            f"{entry['title']}: layer {layer.name()!r} is filtered, and the file would be read "
            "whole. Clear the filter, or export the selection to a file and give that."
        )
    named = [f"{entry['layer_option']}={parts['layerName']}"] if parts.get("layerName") else []
    return [*_option(entry, parts["path"]), *named]


def _raster(entry):
    return QgsProcessingParameterRasterLayer(**_common(entry))


def _raster_texts(entry, algorithm, values, context):
    layer = algorithm.parameterAsRasterLayer(values, entry["name"], context)
    return _option(entry, _file_of(entry, layer, provider="gdal")["path"])


def _file_of(entry, layer, *, provider):
    """Path and layer name in it; a layer that is no file is refused."""
    if layer is None:
        raise QgsProcessingException(
            f"{entry['title']}: the layer cannot be opened. Check that its file is there and can "
            "be read."
        )
    parts = {}
    if layer.dataProvider() is not None and layer.dataProvider().name() == provider:
        parts = QgsProviderRegistry.instance().decodeUri(provider, layer.source())
    if not parts.get("path") or not os.path.exists(parts["path"]):
        raise QgsProcessingException(
            f"{entry['title']}: layer {layer.name()!r} does not lie in a file of this machine. "
            "Export it to a file (GeoPackage, GeoTIFF) and give that."
        )
    return {**parts, "path": os.path.abspath(parts["path"])}


def _results(entry):
    return QgsProcessingParameterFolderDestination(entry["name"], entry["title"])


def _results_texts(entry, algorithm, values, context):
    folder = algorithm.parameterAsString(values, entry["name"], context)
    return _option(entry, os.path.abspath(folder))


KINDS = {
    "number": (_number, _number_texts),
    "integer": (_number, _number_texts),
    "text": (_text, _text_texts),
    "choice": (_choice, _choice_texts),
    "switch": (_switch, _switch_texts),
    "crs": (_crs, _crs_texts),
    "file": (_file, _file_texts),
    "folder": (_file, _file_texts),
    "vector": (_vector, _vector_texts),
    "raster": (_raster, _raster_texts),
    "results": (_results, _results_texts),
}
