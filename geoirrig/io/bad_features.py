"""Which feature of a damaged layer cannot be read: found record by record."""

from __future__ import annotations

import logging
from pathlib import Path


def bad_feature_sentence(path: Path, layer: str, *, driver: str, id_column: str | None) -> str:
    """A sentence that says where reading a layer stops.

    Parameters
    ----------
    path : Path
        File with the layer, known to fail when read in bulk.
    layer : str
        Name of the layer.
    driver : str
        The only GDAL driver that may open the file.
    id_column : str or None
        Column that names the last good feature.

    Returns
    -------
    str
        Sentence with what to do, for the end of a message.
    """
    fiona_log = logging.getLogger("fiona")
    was_disabled = fiona_log.disabled
    fiona_log.disabled = True  # its error lines would stand between the program's messages
    logging.getLogger("fiona._env").disabled = True
    try:
        return _sentence(path, layer, driver, id_column)
    finally:
        fiona_log.disabled = was_disabled
        logging.getLogger("fiona._env").disabled = was_disabled


def _sentence(path: Path, layer: str, driver: str, id_column: str | None) -> str:
    import fiona  # only a damaged file needs it; it would lengthen every start

    n_read, last = 0, ""
    try:
        with fiona.open(path, layer=layer, enabled_drivers=[driver]) as collection:
            n_stated = len(collection)
            try:
                for record in collection:
                    n_read += 1
                    row_id = record.properties.get(id_column) if id_column else None
                    last = f" ({id_column} {row_id!r})" if row_id is not None else ""
            except Exception as error:  # any failure of a record is the one looked for
                reason = f": {' '.join(str(error).split())[:120]}" if str(error) else ""
                return (
                    f"Feature {n_read + 1} of layer {layer!r} cannot be read{reason}. "
                    f"{_repair(n_read, last)}"
                )
    except Exception:  # the file does not even open
        return "Copy or export the file again."
    if n_read < n_stated:
        return (
            f"Feature {n_read + 1} of {n_stated} of layer {layer!r} cannot be read. "
            f"{_repair(n_read, last)}"
        )
    return "Copy or export the file again."


def _repair(n_read: int, last: str) -> str:
    if n_read == 0:
        return "No feature before it could be read. Copy or export the file again."
    return f"The last good one is feature {n_read}{last}. Repair or remove what follows it."
