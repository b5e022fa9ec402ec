"""Importing this has a first compilation told of on standard error.

The server that workers are forked from imports it before it loads the kernels: what is compiled
there would otherwise be waited for in silence.
"""

import sys

from geoirrig.compilation import tell_when_compiling

TOLD = "Compiling for the workers; later runs do without (about half a minute) …\n"


def _tell() -> None:
    sys.stderr.write(TOLD)
    sys.stderr.flush()


tell_when_compiling(_tell)
