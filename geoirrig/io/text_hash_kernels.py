"""Hashes of the texts of a column, compiled: to see at once that millions of ids all differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled

# Fowler, Noll and Vo, 64 bit, variant 1a (IETF draft-eastlake-fnv).
_OFFSET = np.uint64(14695981039346656037)
_PRIME = np.uint64(1099511628211)


@compiled
def text_hashes(
    data: NDArray[np.uint8], offsets: NDArray[np.int64], hashes: NDArray[np.uint64]
) -> None:
    """Write the hash of each text, data[offsets[i]:offsets[i + 1]]; equal texts have equal ones."""
    for text in range(hashes.shape[0]):
        value = _OFFSET
        for place in range(offsets[text], offsets[text + 1]):
            value = (value ^ np.uint64(data[place])) * _PRIME
        hashes[text] = value
