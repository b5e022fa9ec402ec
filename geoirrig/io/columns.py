"""Layers and columns that the program reads, and the unit that a column name states.

A measured column names its unit as a suffix: ``radius_m`` or ``radius_ft``. Which suffixes fit a
quantity follows from `geoirrig.units`; columns such as ``arc_deg`` have one spelling only. Any
other column is carried through.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from geoirrig.physics.soil_properties import COMPACTION_FACTOR, SOIL_TEXTURES
from geoirrig.units import UNITS, Unit
from geoirrig.wording import in_words

DEVICES = ("fixed_spray", "rotary_nozzle", "rotor")
UNKNOWN_COLUMNS_AT_MOST = 200  # carried through per layer; protects against junk tables
# Endings of columns with one spelling only; without theirs such a column has no unit.
FIXED_ENDINGS = ("_deg", "_pct", "_s", "_ml", "_cm2")


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberColumn:
    """A column of numbers and the values it may hold.

    Attributes
    ----------
    name : str
        Its SI name: ``radius_m``.
    has_units : bool
        Whether other units of the same quantity are accepted: ``radius_ft``.
    above, at_least, at_most : float or None
        Limits of the SI value.
    is_whole : bool
        Whether only whole numbers make sense.
    """

    name: str
    has_units: bool = False
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    is_whole: bool = False

    @property
    def spellings(self) -> dict[str, Unit | None]:
        """Accepted column names with their unit, the SI name first."""
        if not self.has_units:
            return {self.name: None}
        quantity, si_suffix = self._parts()
        same = [unit for unit in UNITS.values() if unit.si_suffix == si_suffix]
        same.sort(key=lambda unit: unit.suffix != si_suffix)
        return {f"{quantity}_{unit.suffix}": unit for unit in same}

    @property
    def unitless_name(self) -> str | None:
        """The name as it looks without its unit; None where it has none to leave out."""
        if self.has_units:
            return self._parts()[0]
        return next((self.name[: -len(e)] for e in FIXED_ENDINGS if self.name.endswith(e)), None)

    def _parts(self) -> tuple[str, str]:
        suffix = next(s for s in UNITS if self.name.endswith(f"_{s}"))
        return self.name[: -len(suffix) - 1], suffix


@dataclass(frozen=True, slots=True, kw_only=True)
class TextColumn:
    """A column of text, and the words it may hold (empty: any)."""

    name: str
    words: tuple[str, ...] = ()

    @property
    def spellings(self) -> dict[str, Unit | None]:
        """Accepted column names: one."""
        return {self.name: None}


Column = NumberColumn | TextColumn


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSchema:
    """What one layer holds.

    Attributes
    ----------
    layer : str
        Name of the layer.
    geometry : tuple of str
        Accepted geometry types; empty for an attribute table.
    id_column : str or None
        Column that names a row in messages.
    is_id_unique : bool
        Whether two rows may not share it.
    required : tuple of str
        SI names of the columns that must be there.
    columns : tuple of columns
        All columns with a meaning.
    """

    layer: str
    geometry: tuple[str, ...] = ()
    id_column: str | None = None
    is_id_unique: bool = False
    required: tuple[str, ...] = ()
    columns: tuple[Column, ...] = ()

    @property
    def accepted_names(self) -> frozenset[str]:
        """Every column name that has a meaning."""
        return frozenset(name for column in self.columns for name in column.spellings)

    @property
    def spellings(self) -> frozenset[str]:
        """Accepted names, and those that lack their unit."""
        unitless = {c.unitless_name for c in self.columns if isinstance(c, NumberColumn)}
        return self.accepted_names | {name for name in unitless if name is not None}

    def column(self, name: str) -> Column:
        """The column of that SI name."""
        return next(column for column in self.columns if column.name == name)

    def number(self, name: str) -> NumberColumn:
        """The number column of that SI name."""
        column = self.column(name)
        if not isinstance(column, NumberColumn):
            raise TypeError(f"{name} of {self.layer} is text")
        return column

    def text(self, name: str) -> TextColumn:
        """The text column of that name."""
        column = self.column(name)
        if not isinstance(column, TextColumn):
            raise TypeError(f"{name} of {self.layer} is a number")
        return column


# Upper limits that only a slip of units or of the pen passes; judgement, no source: no landscape
# sprinkler throws 300 m, passes 100 m³/min or is fed at 10 MPa.
_RADIUS = NumberColumn(name="radius_m", has_units=True, above=0.0, at_most=300.0)
_FLOW = NumberColumn(name="flow_lpm", has_units=True, above=0.0, at_most=1e5)
_PRESSURE = NumberColumn(name="pressure_kpa", has_units=True, above=0.0, at_most=1e4)
_ARC = NumberColumn(name="arc_deg", above=0.0, at_most=360.0)
_TRAJECTORY = NumberColumn(name="trajectory_deg", at_least=0.0, at_most=90.0)
_DEPTH = NumberColumn(name="depth_mm", has_units=True, at_least=0.0)

HEADS = LayerSchema(
    layer="heads",
    geometry=("Point", "MultiPoint"),
    id_column="head_id",
    is_id_unique=True,
    required=("head_id", "zone"),
    columns=(
        TextColumn(name="head_id"),
        TextColumn(name="zone"),
        TextColumn(name="nozzle"),
        _ARC,
        NumberColumn(name="start_bearing_deg", at_least=0.0, at_most=360.0),
        _RADIUS,
        _FLOW,
        _PRESSURE,
        _TRAJECTORY,
        NumberColumn(name="riser_m", has_units=True, at_least=0.0),
    ),
)
TURF = LayerSchema(
    layer="turf",
    geometry=("Polygon", "MultiPolygon"),
    id_column="turf_id",
    is_id_unique=True,
    required=("turf_id", "soil_texture"),
    columns=(
        TextColumn(name="turf_id"),
        TextColumn(name="soil_texture", words=SOIL_TEXTURES),
        TextColumn(name="parcel_id"),
        TextColumn(name="plant_type"),
        NumberColumn(name="root_depth_mm", has_units=True, above=0.0),
        TextColumn(name="compaction", words=tuple(COMPACTION_FACTOR)),
        NumberColumn(name="slope_pct", at_least=0.0, at_most=500.0),
    ),
)
NOZZLES = LayerSchema(
    layer="nozzles",
    id_column="nozzle",
    required=("nozzle", "flow_lpm", "radius_m", "pressure_kpa"),
    columns=(
        TextColumn(name="nozzle"),
        _FLOW,
        _RADIUS,
        _PRESSURE,
        _ARC,
        TextColumn(name="device", words=DEVICES),
        TextColumn(name="profile"),
        NumberColumn(name="radius_min_m", has_units=True, above=0.0, at_most=300.0),
        NumberColumn(name="pressure_min_kpa", has_units=True, above=0.0),
        NumberColumn(name="pressure_max_kpa", has_units=True, above=0.0),
        NumberColumn(name="rotation_s", above=0.0),
        _TRAJECTORY,
        NumberColumn(name="unit_cost", at_least=0.0),
    ),
)
PROFILES = LayerSchema(
    layer="profiles",
    id_column="profile",
    required=("profile",),
    columns=(
        TextColumn(name="profile"),
        NumberColumn(name="distance_fraction", at_least=0.0, at_most=1.0),
        NumberColumn(name="relative_rate", at_least=0.0),
        NumberColumn(name="distance_m", has_units=True, at_least=0.0),
        NumberColumn(name="rate_mm_h", has_units=True, at_least=0.0),
    ),
)
ZONES = LayerSchema(
    layer="zones",
    id_column="zone",
    is_id_unique=True,
    required=("zone",),
    columns=(
        TextColumn(name="zone"),
        NumberColumn(name="run_minutes", above=0.0),
        NumberColumn(name="cycles", at_least=1.0, at_most=1000.0, is_whole=True),
        NumberColumn(name="soak_minutes", at_least=0.0),
    ),
)
HARDSCAPE = LayerSchema(
    layer="hardscape",
    geometry=("Polygon", "MultiPolygon"),
    columns=(TextColumn(name="surface"),),
)
PARCELS = LayerSchema(
    layer="parcels",
    geometry=("Polygon", "MultiPolygon"),
    id_column="parcel_id",
    is_id_unique=True,
    required=("parcel_id",),
    columns=(TextColumn(name="parcel_id"),),
)
CATCH_CANS = LayerSchema(
    layer="catch_cans",
    geometry=("Point", "MultiPoint"),
    id_column="can_id",
    is_id_unique=True,
    required=("can_id",),
    columns=(
        TextColumn(name="can_id"),
        _DEPTH,
        NumberColumn(name="volume_ml", at_least=0.0),
        NumberColumn(name="throat_cm2", above=0.0),
        TextColumn(name="zone"),
        NumberColumn(name="minutes", above=0.0),
    ),
)
LAYERS: dict[str, LayerSchema] = {
    schema.layer: schema
    for schema in (HEADS, TURF, NOZZLES, PROFILES, ZONES, HARDSCAPE, PARCELS, CATCH_CANS)
}


def nearest_name(word: str, known: Iterable[str]) -> str | None:
    """The known name that looks most like a word, if any does.

    Examples
    --------
    >>> nearest_name("head_no", ["head_id", "zone"])
    'head_id'
    >>> nearest_name("xyz", ["head_id", "zone"]) is None
    True
    """
    names = list(known)
    by_lower = {name.lower(): name for name in reversed(names)}
    close = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.6)
    return by_lower[close[0]] if close else None


def nearest_hint(word: str, known: Iterable[str]) -> str:
    """A sentence that offers the nearest known name, with a space before it, or nothing."""
    nearest = nearest_name(word, known)
    return "" if nearest is None else f" The nearest known is {nearest!r}."


def listed(names: Iterable[str], *, at_most: int = 12) -> str:
    """Names in quotes, joined to be read aloud, the rest counted unless it is a single one.

    Examples
    --------
    >>> listed(["heads", "turf", "zones"])
    "'heads', 'turf' and 'zones'"
    """
    return in_words((_shortened(name) for name in names), at_most=at_most) or "none"


def listed_as(noun: str, names: Iterable[str], *, at_most: int = 12) -> str:
    """As `listed`, behind a noun that is in the plural unless there is one name.

    Examples
    --------
    >>> listed_as("zone", ["A"]), listed_as("zone", ["A", "B"])
    ("zone 'A'", "zones 'A' and 'B'")
    """
    found = list(names)
    return f"{noun}{'' if len(found) == 1 else 's'} {listed(found, at_most=at_most)}"


def _shortened(name: str, *, longest: int = 60) -> str:
    text = repr(name)
    return text if len(text) <= longest else text[: longest - 1] + "…"
