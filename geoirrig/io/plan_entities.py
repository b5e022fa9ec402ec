"""A DXF plan opened, and everything drawn in it with the blocks that it stands in resolved."""

from __future__ import annotations

import os
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.file_formats import require_readable_file
from geoirrig.io.plan_shapes import SOLID_KINDS
from geoirrig.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.dxfgfx import DXFGraphic
    from ezdxf.entities.insert import Insert
    from ezdxf.layouts.layout import Layout

MOST_BYTES = 500_000_000  # some twenty times as much memory is needed; judgement
_BINARY_MARK = b"AutoCAD Binary DXF"
_ZERO_LAYER = "0"  # in a block, this layer stands for that of the insert
_MESSAGES_AT_MOST = 3
# Attributes that place a thing, and whether they are in the axes of its own extrusion.
_ANCHORS = {"insert": True, "center": True, "location": False, "start": False}

# $INSUNITS of the DXF reference: code, name, metres. Only those that a plan may be drawn in.
PLAN_UNITS: dict[int, tuple[str, float]] = {
    1: ("inch", METRES_PER_FOOT / 12.0),
    2: ("foot", METRES_PER_FOOT),
    4: ("millimetre", 0.001),
    5: ("centimetre", 0.01),
    6: ("metre", 1.0),
    7: ("kilometre", 1000.0),
    14: ("decimetre", 0.1),
    21: ("US survey foot", METRES_PER_US_SURVEY_FOOT),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedEntity:
    """One thing of a plan, in plan coordinates.

    Attributes
    ----------
    entity : DXFGraphic
        The drawn thing, moved to where its blocks put it.
    layer : str
        Its layer; that of the insert for things on layer 0 of a block.
    blocks : tuple of str
        Names of the blocks that it stands in, the outermost first; an insert counts its own.
    handle : str
        Of the thing, or of the outermost insert that it came with.
    attributes : mapping of str to str
        Block attributes by tag in capitals, those of the nearest insert first.
    """

    entity: DXFGraphic
    layer: str
    blocks: tuple[str, ...] = ()
    handle: str = ""
    attributes: Mapping[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        """DXF name of the thing, such as INSERT, LWPOLYLINE or HATCH."""
        return self.entity.dxftype()


def require_ezdxf() -> None:
    """Say what to install where the DXF library is missing.

    Raises
    ------
    GeoirrigError
        If it is.
    """
    try:
        import ezdxf  # noqa: F401  # an extra; only plans need it
    except ImportError as error:
        raise GeoirrigError(
            "Reading and writing DXF plans needs the library ezdxf, which is not installed. "
            "Install it: pip install 'geoirrig[cad]'"
        ) from error


def open_plan(path: Path, problems: ProblemList) -> Drawing:
    """A DXF plan, text or binary; a damaged text is repaired, as far as the library can.

    Parameters
    ----------
    path : Path
        The file.
    problems : ProblemList
        Takes warnings of what had to be repaired.

    Raises
    ------
    GeoirrigError
        If it is no DXF, too large, or damaged beyond repair, or ezdxf is missing.
    """
    require_ezdxf()
    is_binary = _require_dxf(path).startswith(_BINARY_MARK)
    from ezdxf import recover
    from ezdxf.filemanagement import readfile
    from ezdxf.lldxf.const import DXFError

    try:
        try:
            drawing = readfile(path)
            auditor = drawing.audit()
        except (DXFError, UnicodeError, ValueError, LookupError, TypeError, AttributeError):
            if is_binary:  # only text can be recovered
                raise
            drawing, auditor = recover.readfile(path)
            problems.warn(
                f"Plan {path.name!r} is damaged or cut off; only what could be recovered was read. "
                "Compare the counts with the drawing, or export it again."
            )
    except Exception as error:  # a damaged file can fail anywhere in the library
        if is_binary:
            raise GeoirrigError(
                f"{str(path)!r} is a binary DXF that is damaged or cut off. Export it again."
            ) from error
        raise GeoirrigError(
            f"{str(path)!r} is damaged and cannot be read as a DXF: {_one_line(error)}. "
            "Export it again."
        ) from error
    notes = [entry.message for entry in (*auditor.errors, *auditor.fixes)]
    if notes:
        rest = len(notes) - _MESSAGES_AT_MOST
        more = f" and {rest} more" if rest > 0 else ""
        shown = "; ".join(_one_line(note) for note in notes[:_MESSAGES_AT_MOST])
        problems.warn(f"Plan {path.name!r} has faults that were repaired on reading: {shown}{more}")
    return drawing


@contextmanager
def damage_told(place: str) -> Iterator[None]:
    """Tell what the DXF library cannot handle as a fault of the plan.

    A file may load and still hold a thing without its coordinates. Only what the library itself
    raises is told so; a fault of this program stays one.

    Raises
    ------
    GeoirrigError
        In place of an error of the library.
    """
    try:
        yield
    except Exception as error:
        *_, (frame, _) = traceback.walk_tb(error.__traceback__)
        if not str(frame.f_globals.get("__name__", "")).startswith("ezdxf"):
            raise
        raise GeoirrigError(
            f"{place} holds something that cannot be read: {_one_line(error)}. Repair the drawing "
            "where it was made, and export it again."
        ) from error


def plan_unit(drawing: Drawing) -> tuple[str, float] | None:
    """Unit that the header of a plan states: name and metres; None where it states none."""
    return PLAN_UNITS.get(unit_code(drawing))


def unit_code(drawing: Drawing) -> int:
    """$INSUNITS of the header; 0 where it is not there."""
    return int(drawing.header.get("$INSUNITS", 0))


def placed_entities(
    drawing: Drawing, enters: Callable[[PlacedEntity], bool] | None = None
) -> Iterator[PlacedEntity]:
    """Everything in the model space, inserts before what is in them.

    Parameters
    ----------
    drawing : Drawing
        The plan.
    enters : callable, optional
        Whether the content of an insert is wanted; always where absent.
    """
    return _placed(drawing.modelspace(), None, enters or (lambda _: True))


def _placed(
    entities: Iterable[Any], around: PlacedEntity | None, enters: Callable[[PlacedEntity], bool]
) -> Iterator[PlacedEntity]:
    for entity in entities:
        layer = str(entity.dxf.get("layer", _ZERO_LAYER))
        if around is not None and layer == _ZERO_LAYER:
            layer = around.layer
        handle = around.handle if around else str(entity.dxf.get("handle", "") or "")
        blocks = around.blocks if around else ()
        attributes = around.attributes if around else {}
        if entity.dxftype() != "INSERT":
            yield PlacedEntity(
                entity=entity, layer=layer, blocks=blocks, handle=handle, attributes=attributes
            )
            continue
        name = str(entity.dxf.get("name", ""))
        if name.casefold() in {block.casefold() for block in blocks}:
            continue  # a block within itself, which no drawing can show
        for one in entity.multi_insert() if entity.mcount > 1 else (entity,):
            insert = PlacedEntity(
                entity=one,
                layer=layer,
                blocks=(*blocks, name),
                handle=handle,
                attributes={**attributes, **insert_attributes(one)},
            )
            yield insert
            if one.block() is not None and enters(insert):
                yield from _placed(one.virtual_entities(), insert, enters)


def insert_attributes(insert: Insert) -> dict[str, str]:
    """Texts of the attributes of an insert by tag in capitals, those fixed in the block too."""
    texts: dict[str, str] = {}
    block = insert.block()
    if block is not None:
        for definition in block.attdefs():
            if definition.is_const:
                texts[definition.dxf.tag.upper()] = definition.plain_text().strip()
    for attribute in insert.attribs:
        if not attribute.is_alive:  # thrown away when the file was repaired
            continue
        if attribute.has_embedded_mtext_entity:
            text = attribute.virtual_mtext_entity().plain_text()
        else:
            text = attribute.plain_text()
        texts[attribute.dxf.tag.upper()] = str(text).strip()
    return texts


def anchor(entity: Any) -> tuple[float, float] | None:
    """The point by which a thing is placed, in plan coordinates; None where it has none."""
    for name, is_in_own_axes in _ANCHORS.items():
        if entity.dxf.hasattr(name):
            point = entity.dxf.get(name)
            x, y, _ = entity.ocs().to_wcs(point) if is_in_own_axes else point
            return float(x), float(y)
    if entity.dxftype() == "LWPOLYLINE" and len(entity):
        x, y, _ = next(iter(entity.vertices_in_wcs()))
        return float(x), float(y)
    return None


class BlockContents:
    """Which layers and blocks occur in a block, however deep; each block is looked at once."""

    def __init__(self, drawing: Drawing) -> None:
        self._drawing = drawing
        self._known: dict[str, tuple[frozenset[str], frozenset[str]]] = {}

    def of(self, name: str) -> tuple[frozenset[str], frozenset[str]]:
        """Layers and block names in a block; layer 0 stands for that of the insert."""
        key = name.casefold()
        if key not in self._known:
            self._known[key] = (frozenset(), frozenset())  # ends a block within itself
            layers, blocks = set(), set()
            for entity in self._drawing.blocks.get(name) or ():
                layers.add(str(entity.dxf.get("layer", _ZERO_LAYER)))
                if entity.dxftype() == "INSERT":
                    inner = str(entity.dxf.get("name", ""))
                    inner_layers, inner_blocks = self.of(inner)
                    layers |= inner_layers
                    blocks |= {inner} | inner_blocks
            self._known[key] = (frozenset(layers), frozenset(blocks))
        return self._known[key]


def warn_of_unseen(drawing: Drawing, place: str, problems: ProblemList) -> None:
    """Warn of external references, which a plan only names, and of drawings in paper space."""
    used = {
        str(insert.dxf.get("name", "")).casefold()
        for insert in drawing.modelspace().query("INSERT")
    }
    outside = [
        block.name
        for block in drawing.blocks
        if block.block is not None and block.block.is_xref and block.name.casefold() in used
    ]
    if outside:
        names = ", ".join(repr(name) for name in outside[:_MESSAGES_AT_MOST])
        problems.warn(
            f"{place} refers to other drawings ({names}), whose content is not in it. Bind them "
            "before exporting if they are wanted."
        )
    sheets = {
        layout.name: _count_drawn(layout) for layout in drawing.layouts if layout.is_any_paperspace
    }
    if any(sheets.values()):
        counts = ", ".join(f"{name!r}: {count}" for name, count in sheets.items() if count)
        problems.warn(
            f"{place} has drawings in paper space ({counts}), which is not read. Move them to the "
            "model space if heads or areas are among them."
        )
    kinds = {entity.dxftype() for entity in drawing.modelspace()}
    if kinds and kinds.issubset(SOLID_KINDS):
        problems.warn(
            f"{place} holds only solids and meshes ({', '.join(sorted(kinds))}), which have no "
            "outline to read. Export it in 2-D."
        )
    elif not kinds:
        problems.warn(f"{place} has nothing in its model space.")


def _count_drawn(layout: Layout) -> int:
    """Things on a sheet, beside the windows onto the model space."""
    return sum(entity.dxftype() != "VIEWPORT" for entity in layout)


def kind_counts(entities: Iterable[PlacedEntity]) -> Counter[str]:
    """How many things of each DXF kind."""
    return Counter(entity.kind for entity in entities)


def _require_dxf(path: Path) -> bytes:
    """First bytes of a file that may be a DXF; an error says what else it is."""
    header = require_readable_file(path)
    shown = repr(str(path))
    if header.startswith(b"AC10"):
        raise GeoirrigError(f"{shown} is a DWG, not a DXF. Save it as DXF (R2000 or later).")
    text = header.removeprefix(b"\xef\xbb\xbf").lstrip()
    if not text.startswith((b"0", b"999", _BINARY_MARK)):
        raise GeoirrigError(
            f"{shown} is no DXF: it does not begin with a section. Export the plan as DXF."
        )
    size = os.path.getsize(path)
    if size > MOST_BYTES:
        raise GeoirrigError(
            f"{shown} has {size / 1e6:.0f} MB, more than the {MOST_BYTES / 1e6:.0f} MB that are "
            "read. Export only the layers with heads, turf, paving and parcels."
        )
    return header


def _one_line(error: object, *, longest: int = 160) -> str:
    text = " ".join(str(error).split()).rstrip(".") or type(error).__name__
    return text if len(text) <= longest else text[: longest - 1] + "…"
