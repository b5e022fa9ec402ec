"""Text of many rows as numbers of words, without a Python object for a row or a word."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from geoirrig.io.arrow_layer import ArrowLayer, bytes_of, chunks_of
from geoirrig.io.column_values import BoolArray, texts
from geoirrig.io.text_hash_kernels import text_hashes
from geoirrig.records import ObjectArray

_NO_TEXT = pa.array([], pa.large_string())
_LAST_BLANK = ord(" ")  # the blanks of ASCII come before all other characters


@dataclass(frozen=True, slots=True, eq=False)
class Words(Sequence[str]):
    """Texts as Arrow holds them; a Python object is made of those that are asked for."""

    arrow: Any  # pyarrow.LargeStringArray without gaps

    @classmethod
    def of(cls, texts: Sequence[str]) -> Words:
        """The same texts."""
        return cls(pa.array(texts, pa.large_string()))

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> Words: ...
    def __getitem__(self, index: int | slice) -> str | Words:
        """A text, or some of them."""
        return Words(self.arrow[index]) if isinstance(index, slice) else str(self.arrow[index])

    def __len__(self) -> int:
        """Number of texts."""
        return len(self.arrow)

    def __iter__(self) -> Iterator[str]:
        """All texts."""
        return iter(self.arrow.to_pylist())

    def array(self) -> ObjectArray:
        """All texts."""
        return np.array(list(self), dtype=object)

    def is_blank(self) -> BoolArray:
        """Which are empty."""
        return np.asarray(pc.equal(self.arrow, ""), dtype=bool)

    def taken(self, rows: NDArray[np.int64] | NDArray[np.int32]) -> Words:
        """Those at some places."""
        return Words(self.arrow.take(pa.array(rows)))

    def places_in(self, known: Words) -> NDArray[np.int64]:
        """Place of each among others; −1 for none."""
        if self.arrow.equals(known.arrow):
            return np.arange(len(self))
        found = pc.index_in(self.arrow, known.arrow)
        return np.asarray(pc.fill_null(found, -1), dtype=np.int64)

    def ranks(self) -> NDArray[np.int64]:
        """Place of each in the order of their characters."""
        rank = np.empty(len(self), dtype=np.int64)
        rank[np.asarray(pc.array_sort_indices(self.arrow))] = np.arange(len(self))
        return rank


@dataclass(frozen=True, slots=True, kw_only=True)
class CodedText:
    """Text of many rows: the number of the word in ``words``; "" is a word like any other."""

    code: NDArray[np.int32]  # (n_rows,)
    words: Words

    def texts(self) -> ObjectArray:
        """The text of every row."""
        return self.words.array()[self.code]

    def is_blank(self) -> BoolArray:
        """Rows without text."""
        return self.words.is_blank()[self.code]


def coded_text(layer: ArrowLayer, name: str) -> CodedText:
    """Text of a column as numbers of words, blanks around it dropped; all "" where absent."""
    if name not in layer.arrow.column_names:
        return CodedText(code=np.zeros(layer.n_rows, dtype=np.int32), words=Words.of([""]))
    column = layer.arrow.column(name)
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return _coded(np.asarray(layer.table.columns[name]))
    # Most often many rows in a row say the same.
    runs = [pc.run_end_encode(chunk) for chunk in chunks_of(column)]
    values = pa.concat_arrays([run.values.cast(pa.large_string()) for run in runs] or [_NO_TEXT])
    encoded = pc.dictionary_encode(values)
    found = encoded.dictionary
    trimmed = pc.utf8_trim_whitespace(found)
    of_run = np.asarray(pc.fill_null(encoded.indices, len(found)), dtype=np.int32)
    n_rows = [np.diff(np.asarray(run.run_ends), prepend=0) for run in runs]
    code = np.repeat(of_run, np.concatenate(n_rows)) if runs else of_run
    with_blank = pa.concat_arrays([trimmed, pa.array([""], pa.large_string())])
    if trimmed.equals(found) and not Words(trimmed).is_blank().any():  # as they are, they differ
        return CodedText(code=code, words=Words(with_blank if encoded.null_count else trimmed))
    return _with_words(code, with_blank.to_pylist())


def is_repeated(layer: ArrowLayer, name: str) -> BoolArray:
    """Rows whose text in a column another row has too, and rows without any."""
    repeated = np.zeros(layer.n_rows, dtype=bool)
    if name not in layer.arrow.column_names:
        return repeated
    column = layer.arrow.column(name)
    if _all_differ(column):
        return repeated
    coded = coded_text(layer, name)
    count = np.bincount(coded.code, minlength=len(coded.words))
    return np.asarray((count > 1) | coded.words.is_blank())[coded.code]


def _all_differ(column: Any) -> bool:
    """Whether no two texts are equal and none is blank: most often their hashes tell already.

    Where there are blanks around a text, the answer is no: it takes a closer look.
    """
    kind = column.type
    if column.null_count or not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        return False
    hashes, done = np.empty(len(column), dtype=np.uint64), 0
    for chunk in chunks_of(column):
        raw, places = bytes_of(chunk)
        if np.any(places[1:] == places[:-1]):
            return False
        if np.any(raw[places[:-1]] <= _LAST_BLANK) or np.any(raw[places[1:] - 1] <= _LAST_BLANK):
            return False
        text_hashes(raw, places, hashes[done : done + len(chunk)])
        done += len(chunk)
    hashes.sort()
    if np.all(hashes[1:] != hashes[:-1]):
        return True
    return int(pc.count_distinct(column).as_py()) == len(column)


def _coded(values: NDArray[Any]) -> CodedText:
    """Other values than text, as the ordinary reader writes them."""
    if values.dtype.kind in "iu":
        numbers, code = np.unique(values, return_inverse=True)
        return _with_words(code.astype(np.int32), [str(n) for n in numbers.tolist()])
    words, code = np.unique(texts(values).astype(str), return_inverse=True)
    return _with_words(code.astype(np.int32), [str(word).strip() for word in words.tolist()])


def _with_words(code: NDArray[np.int32], raw: list[str]) -> CodedText:
    """Codes into words that occur once each, although several spellings may have become one."""
    number: dict[str, int] = {}
    renumbered = np.array([number.setdefault(word, len(number)) for word in raw], dtype=np.int32)
    if len(number) == len(raw):
        return CodedText(code=code, words=Words.of(raw))
    return CodedText(code=renumbered[code], words=Words.of(list(number)))
