"""What a plan holds: layers, blocks, attributes; and a roles file to begin with."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geoirrig.io.columns import HEADS
from geoirrig.io.plan_entities import PlacedEntity, anchor, placed_entities, plan_unit
from geoirrig.io.plan_roles import DEFAULT_CLOSING_GAP_M, DEFAULT_FLATTEN_TOLERANCE_M, PlanLayer
from geoirrig.io.plan_shapes import HATCH_KINDS, LINE_KINDS

if TYPE_CHECKING:
    from ezdxf.document import Drawing

_EXAMPLES = 3  # values shown of an attribute
# Words in names of layers and blocks that speak for a role; common practice, no source.
_SPEAKING: dict[PlanLayer, tuple[str, ...]] = {
    "heads": ("head", "spr", "irr", "rotor", "nozzle"),
    "turf": ("turf", "lawn", "grass", "sod"),
    "hardscape": ("hard", "pav", "walk", "concrete", "drive", "asphalt", "patio", "path"),
    "parcels": ("parcel", "property", "lot", "boundary"),
}
# What attribute tags stand for, beside the columns' own names; common practice, no source.
_TAG_COLUMNS = {
    "id": "head_id", "no": "head_id", "number": "head_id", "head": "head_id", "valve": "zone",
    "station": "zone", "circuit": "zone", "model": "nozzle", "radius": "radius_m",
    "throw": "radius_m", "flow": "flow_lpm", "gpm": "flow_gpm", "arc": "arc_deg",
    "pressure": "pressure_kpa", "bearing": "start_bearing_deg",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockListing:
    """A block that is inserted: how often, on which layers, and its attributes with examples."""

    name: str
    inserts: int
    layers: Mapping[str, int]
    attributes: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanContents:
    """What a plan holds; counts are of the model space with the content of its blocks."""

    dxf_version: str
    unit: str | None
    extent: tuple[float, float, float, float] | None  # least x and y, greatest x and y of places
    layers: Mapping[str, Mapping[str, int]]  # kinds and counts
    blocks: tuple[BlockListing, ...]

    def record(self) -> dict[str, Any]:
        """The same for the summary."""
        return {
            "dxf_version": self.dxf_version,
            "plan_unit": self.unit,
            "extent": self.extent,
            "layers": [
                {"layer": name, "count": sum(kinds.values()), "kinds": dict(kinds)}
                for name, kinds in self.layers.items()
            ],
            "blocks": [
                {
                    "block": block.name,
                    "inserts": block.inserts,
                    "layers": dict(block.layers),
                    "attributes": {tag: list(seen) for tag, seen in block.attributes.items()},
                }
                for block in self.blocks
            ],
        }


def plan_contents(drawing: Drawing) -> PlanContents:
    """Layers, blocks, attributes, counts, unit and extent of a plan."""
    kinds: dict[str, Counter[str]] = defaultdict(Counter)
    inserts: Counter[str] = Counter()
    on_layers: dict[str, Counter[str]] = defaultdict(Counter)
    seen: dict[str, dict[str, dict[str, None]]] = defaultdict(lambda: defaultdict(dict))
    places: list[tuple[float, float]] = []
    for thing in placed_entities(drawing):
        kinds[thing.layer][thing.kind] += 1
        places += _places(thing)
        if thing.kind == "INSERT":
            name = thing.blocks[-1]
            inserts[name] += 1
            on_layers[name][thing.layer] += 1
            for tag, text in thing.attributes.items():
                if len(seen[name][tag]) < _EXAMPLES and text:
                    seen[name][tag][text] = None
    unit = plan_unit(drawing)
    xs, ys = zip(*places, strict=True) if places else ((), ())
    return PlanContents(
        dxf_version=drawing.acad_release,
        unit=None if unit is None else unit[0],
        extent=(min(xs), min(ys), max(xs), max(ys)) if places else None,
        layers={name: dict(kinds[name].most_common()) for name in sorted(kinds)},
        blocks=tuple(
            BlockListing(
                name=name,
                inserts=count,
                layers=dict(on_layers[name]),
                attributes={tag: tuple(texts) for tag, texts in seen[name].items()},
            )
            for name, count in inserts.most_common()
        ),
    )


def draft_roles_text(contents: PlanContents) -> str:
    """A roles file to edit, guessed from names; every guess states the count behind it."""
    parts = [
        "# Draft: guessed from the names on the plan. Check every line before the import.",
        "# Names may hold * for any text.",
        'transform = "similarity"  # or "affine"',
        f"flatten_tolerance_m = {DEFAULT_FLATTEN_TOLERANCE_M}  # largest distance of a chord from "
        "its arc",
        f"closing_gap_m = {DEFAULT_CLOSING_GAP_M}  # largest gap of a line that is closed",
        "",
    ]
    head_blocks = [block for block in contents.blocks if _speaks_for(block, "heads")]
    for block in head_blocks:
        parts += _head_draft(block)
    for layer in ("turf", "hardscape", "parcels"):
        for name, kinds in contents.layers.items():
            count = _outline_count(kinds)
            if count and _fits_words(name, _SPEAKING[layer]):
                parts += _area_draft(layer, name, count)
    # what no name speaks for: a table to uncomment, with the likeliest by number
    likeliest = next(iter(contents.blocks), _NO_BLOCK)
    if not head_blocks:
        parts += _commented(_head_draft(likeliest))
    if not any(part == "[[turf]]" for part in parts):
        outlined = {
            name: _outline_count(kinds)
            for name, kinds in contents.layers.items()
            if name not in likeliest.layers  # lines there are those of the symbols
        }
        name = max(outlined, key=outlined.__getitem__, default="NAME OF LAYER")
        parts += _commented(_area_draft("turf", name, outlined.get(name, 0)))
    return "\n".join(parts).rstrip("\n") + "\n"


_NO_BLOCK = BlockListing(name="NAME OF BLOCK", inserts=0, layers={}, attributes={})
_AREA_SOURCES = {
    "turf": (
        ['numbered.turf_id = "turf_"'],
        ['constant.soil_texture = "loam"  # not on the plan: state the class of the soil'],
    ),
    "hardscape": ([], ["constant.surface = {name}"]),
    "parcels": (['numbered.parcel_id = "parcel_"'], []),
}


def _head_draft(block: BlockListing) -> list[str]:
    columns: dict[str, str] = {}
    others: list[str] = []
    # tags that fit as a whole choose first
    for tag in sorted(block.attributes, key=lambda tag: not _column_of(tag)[1]):
        column, examples = _column_of(tag)[0], block.attributes[tag]
        line = f"from_attribute.{{}} = {_quoted(tag)}  # such as {_shown(examples)}"
        if column is None or column in columns:
            others.append("# " + line.format(_bare_key(tag)))
        else:
            columns[column] = line.format(column)
    lines = ["[[heads]]", f"blocks = [{_quoted(block.name)}]  # {block.inserts} inserts"]
    lines += [*columns.values(), *others]
    if "head_id" not in columns:
        lines.append('numbered.head_id = "H"')
    if "zone" not in columns:
        lines.append('constant.zone = "Z1"  # not on the plan: or from_layer.zone = "IRR-ZONE-*"')
    has_throw = any(c.startswith("radius_") for c in columns) and any(
        c.startswith("flow_") for c in columns
    )
    if "nozzle" not in columns and not has_throw:
        lines.append(f"constant.nozzle = {_quoted(block.name)}  # or a radius and a flow")
    if "arc_deg" in columns and "start_bearing_deg" not in columns:
        lines += [
            'rotation = "first_edge"  # or "arc_middle", "last_edge"; arcs sweep clockwise',
            "zero_bearing_deg = 90.0  # where that edge points in the block, clockwise from its y",
        ]
    return [*lines, ""]


def _area_draft(layer: str, name: str, count: int) -> list[str]:
    first, rest = _AREA_SOURCES[layer]
    own = [line.replace('"turf_"', _quoted(f"{name}_")) for line in first]
    own = [line.replace('"parcel_"', _quoted(f"{name}_")) for line in own]
    return [
        f"[[{layer}]]",
        f"layers = [{_quoted(name)}]  # {count} lines and hatches",
        *own,
        *(line.replace("{name}", _quoted(name)) for line in rest),
        "",
    ]


def _commented(lines: Iterable[str]) -> list[str]:
    return [f"# {line}" if line else line for line in lines]


def _outline_count(kinds: Mapping[str, int]) -> int:
    return sum(kinds.get(kind, 0) for kind in (*LINE_KINDS, *HATCH_KINDS))


def _speaks_for(block: BlockListing, layer: PlanLayer) -> bool:
    return any(_fits_words(name, _SPEAKING[layer]) for name in (block.name, *block.layers))


def _fits_words(name: str, words: Iterable[str]) -> bool:
    return any(word in name.casefold() for word in words)


def _column_of(tag: str) -> tuple[str | None, bool]:
    """Column of the heads layer that a tag seems to stand for, and whether it does as a whole."""
    word = tag.casefold().replace(" ", "_").replace("-", "_")
    known = {name: name for name in HEADS.accepted_names} | _TAG_COLUMNS
    if word in known:
        return known[word], True
    return next((known[part] for part in word.split("_") if part in known), None), False


def _places(thing: PlacedEntity) -> list[tuple[float, float]]:
    """Some points of a thing, enough for the extent of a listing."""
    entity: Any = thing.entity
    if thing.kind == "LWPOLYLINE":
        points = entity.vertices_in_wcs()
    elif thing.kind == "LINE":
        points = [entity.dxf.start, entity.dxf.end]
    else:
        place = anchor(entity)
        points = [] if place is None else [place]
    return [(float(p[0]), float(p[1])) for p in points]


def _bare_key(tag: str) -> str:
    key = "".join(c if c.isascii() and (c.isalnum() or c == "_") else "_" for c in tag.casefold())
    return key or "column"


def _quoted(text: str) -> str:
    """A basic string of TOML, whose escapes are those of JSON."""
    clean = text.encode("utf-8", "replace").decode("utf-8").replace("\x7f", "?")
    return json.dumps(clean, ensure_ascii=False)


def _shown(examples: tuple[str, ...]) -> str:
    return ", ".join(_quoted(text) for text in examples) or "nothing: all are empty"
