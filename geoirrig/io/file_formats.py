"""Which format a file has, told by its first bytes before any reading library opens it.

Only the formats named here are ever opened. A file whose content is not what its name says is
refused, so that a virtual or remote source dressed up as a GeoPackage cannot be followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from geoirrig.errors import GeoirrigError
from geoirrig.io.checksums import Checksum, file_sha256
from geoirrig.records import InputFile

_HEADER_BYTES = 4096
_GEOPACKAGE_IDS = (b"GPKG", b"GP10", b"GP11")  # application_id of versions 1.2 on, 1.0 and 1.1


@dataclass(frozen=True, slots=True)
class FileFormat:
    """A format: its name in print, the GDAL driver for it and the suffixes it comes with."""

    name: str
    driver: str
    suffixes: tuple[str, ...]


GEOPACKAGE = FileFormat("GeoPackage", "GPKG", (".gpkg",))
FLATGEOBUF = FileFormat("FlatGeobuf", "FlatGeobuf", (".fgb",))
GEOJSON = FileFormat("GeoJSON", "GeoJSON", (".geojson", ".json"))
GEOPARQUET = FileFormat("GeoParquet", "", (".parquet", ".geoparquet"))  # not read through GDAL
SHAPEFILE = FileFormat("Shapefile", "ESRI Shapefile", (".shp",))
DXF = FileFormat("DXF", "DXF", (".dxf",))
CSV = FileFormat("CSV", "", (".csv",))  # not read through GDAL
GEOTIFF = FileFormat("GeoTIFF", "GTiff", (".tif", ".tiff"))
ASCII_GRID = FileFormat("ASCII grid", "AAIGrid", (".asc",))

VECTOR_FORMATS = (GEOPACKAGE, FLATGEOBUF, GEOJSON, GEOPARQUET, SHAPEFILE, DXF, CSV)
RASTER_FORMATS = (GEOTIFF, GEOPACKAGE, ASCII_GRID)


def vector_format(path: Path) -> FileFormat:
    """Format of a vector file or attribute table.

    Raises
    ------
    GeoirrigError
        If the file is missing, a folder, unreadable, empty, cut off, of an unknown kind, or not
        what its name says.
    """
    return _file_format(path, VECTOR_FORMATS, "layer")


def raster_format(path: Path) -> FileFormat:
    """Format of a raster file; raises as `vector_format` does."""
    return _file_format(path, RASTER_FORMATS, "raster")


def file_read(role: str, path: Path, checksum: Checksum = file_sha256) -> InputFile:
    """A file for the record of a run: its role, name and checksum."""
    return InputFile(role=role, name=path.name, sha256=checksum(path))


def require_readable_file(path: Path) -> bytes:
    """First bytes of an existing, readable, non-empty file.

    Raises
    ------
    GeoirrigError
        If it is none.
    """
    shown = repr(str(path))
    try:
        if path.is_dir():
            raise GeoirrigError(f"{shown} is a folder, not a file. Give the file itself.")
        if not path.exists():
            raise GeoirrigError(f"{shown} does not exist. Check the path.")
        if not path.is_file():
            raise GeoirrigError(f"{shown} is not a regular file. Give a file on a disk.")
        with path.open("rb") as stream:
            header = stream.read(_HEADER_BYTES)
    except (OSError, ValueError) as error:  # ValueError: a NUL character in the path
        reason = getattr(error, "strerror", None) or str(error)
        raise GeoirrigError(f"{shown} cannot be read: {reason}. Check its permissions.") from error
    if not header:
        raise GeoirrigError(f"{shown} is empty (0 bytes). Export it again.")
    return header


def _file_format(path: Path, formats: tuple[FileFormat, ...], what: str) -> FileFormat:
    header = require_readable_file(path)
    named = next((f for f in formats if path.suffix.lower() in f.suffixes), None)
    if named is None:
        known = ", ".join(f"{f.name} ({f.suffixes[0]})" for f in formats)
        raise GeoirrigError(
            f"{str(path)!r} has the suffix {path.suffix!r}, which names no format read for a "
            f"{what}. Give one of: {known}."
        )
    if not _is_format(named, header):
        raise GeoirrigError(
            f"{str(path)!r} is named as a {named.name}, but its content is "
            f"{_content(header)}. Give a {named.name}, or the right suffix."
        )
    _require_whole(path, named, header)
    return named


def _is_format(named: FileFormat, header: bytes) -> bool:
    text = header.removeprefix(b"\xef\xbb\xbf").lstrip()
    checks = {
        GEOPACKAGE: header.startswith(b"SQLite format 3\0") and header[68:72] in _GEOPACKAGE_IDS,
        FLATGEOBUF: header.startswith(b"fgb\x03fgb"),
        # The second test keeps out text that another driver would claim as its own.
        GEOJSON: text.startswith(b"{") and b"<OGRVRTDataSource" not in header,
        GEOPARQUET: header.startswith(b"PAR1"),
        SHAPEFILE: header.startswith(b"\x00\x00\x27\x0a"),
        DXF: text.startswith((b"0", b"999", b"AutoCAD Binary DXF")) and b"<" not in text[:3],
        CSV: b"\0" not in header and not text.startswith((b"<", b"{")),
        GEOTIFF: header[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
        ASCII_GRID: text[:5].lower() == b"ncols",
    }
    return checks[named]


_CONTENTS: tuple[tuple[bytes, str], ...] = (
    (b"SQLite format 3\0", "an SQLite database that is not marked as a GeoPackage"),
    (b"<OGRVRTDataSource", "a virtual layer (VRT), which only points at other sources"),
    (b"<VRTDataset", "a virtual raster (VRT), which only points at other sources"),
    (b"<!DOCTYPE html", "a web page"),
    (b"<html", "a web page"),
    (b"<", "XML text"),
    (b"PK\x03\x04", "a zip archive (unpack it first)"),
    (b"%PDF", "a PDF document"),
    (b"II*\0", "a TIFF image"),
    (b"MM\0*", "a TIFF image"),
    (b"\x89PNG", "a PNG picture"),
    (b"fgb\x03fgb", "a FlatGeobuf"),
    (b"PAR1", "a Parquet file"),
    (b"\x00\x00\x27\x0a", "a Shapefile"),
    (b"{", "JSON text"),
    (b"\xff\xfe", "UTF-16 text (save it as UTF-8)"),
    (b"\xfe\xff", "UTF-16 text (save it as UTF-8)"),
)


def _content(header: bytes) -> str:
    """What the first bytes look like, in words."""
    text = header.removeprefix(b"\xef\xbb\xbf").lstrip()
    for magic, words in _CONTENTS:
        if header.startswith(magic) or text.startswith(magic):
            return words
    return "binary data of another kind" if b"\0" in header else "plain text of another kind"


def _require_whole(path: Path, named: FileFormat, header: bytes) -> None:
    """Refuse a file that tells by itself that a part of it is missing."""
    size = path.stat().st_size
    if named is GEOPACKAGE:
        stated = _sqlite_bytes(header)
        if size < stated:
            raise GeoirrigError(
                f"{str(path)!r} is cut off: its header states {stated} bytes, the file has {size}. "
                "Copy or export it again."
            )
    if named is GEOPARQUET:
        with path.open("rb") as stream:
            stream.seek(max(0, size - 4))
            if stream.read(4) != b"PAR1":
                raise GeoirrigError(
                    f"{str(path)!r} is cut off: a Parquet file ends with the mark 'PAR1', this one "
                    "does not. Copy or export it again."
                )
    if named is SHAPEFILE:
        missing = [s for s in (".shx", ".dbf") if companion(path, s) is None]
        if missing:
            raise GeoirrigError(
                f"{str(path)!r} lacks its companion {' and '.join(missing)}. Put the files of one "
                "Shapefile into the same folder."
            )


def _sqlite_bytes(header: bytes) -> int:
    """Size that an SQLite header states; 0 where it makes no valid statement.

    The page count counts only if the change counter agrees with the version that wrote it
    (SQLite file format, section 1.3.7).
    """
    page_bytes = int.from_bytes(header[16:18], "big")
    if header[24:28] != header[92:96]:
        return 0
    return (65536 if page_bytes == 1 else page_bytes) * int.from_bytes(header[28:32], "big")


def companion(path: Path, suffix: str) -> Path | None:
    """File of the same name with another suffix, in upper or lower case, beside a file."""
    for candidate in (path.with_suffix(suffix), path.with_suffix(suffix.upper())):
        if candidate.is_file():
            return candidate
    return None


def files_of(path: Path) -> tuple[Path, ...]:
    """The file itself and, for a Shapefile, its companions."""
    if path.suffix.lower() not in SHAPEFILE.suffixes:
        return (path,)
    others = (companion(path, suffix) for suffix in (".shx", ".dbf", ".prj", ".cpg"))
    return (path, *(other for other in others if other is not None))
