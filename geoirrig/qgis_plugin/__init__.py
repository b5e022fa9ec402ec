"""Processing plugin of a GIS viewer: the commands of geoirrig as algorithms.

The files of this folder run in the viewer's own Python and import nothing but the viewer and the
standard library. Nothing here computes: `geoirrig` runs as a child process of another Python.
``geoirrig plugin-package`` adds the table of commands and makes the archive that a viewer installs.
"""


def classFactory(iface):  # noqa: D103, N802 - the name that the viewer calls
    from .plugin import GeoirrigPlugin

    return GeoirrigPlugin()
