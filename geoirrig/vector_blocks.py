"""Short runs of cells handled in blocks, for compiled kernels.

A run of some twenty cells is too short for the compiler's own loop vectoriser: its time goes into
run-time checks and left-over cells. The operations below are written as vector instructions of the
compiler's intermediate language, which it translates for any processor.

Each operation takes a whole block of cells from an index on. Bounds are not checked: arrays must
reach one block beyond the last cell in use.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, cast

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

BLOCK = 8  # cells in a block
LONG_BLOCK = 32  # cells in a block of counts, which are bytes

_FLOAT, _DOUBLE, _BIT, _BYTE = ir.FloatType(), ir.DoubleType(), ir.IntType(1), ir.IntType(8)
_INT, _LONG = ir.IntType(32), ir.IntType(64)
_FUSED = ("contract",)  # a product and a sum may be rounded once
_FLOATS = types.Array(types.float32, 1, "C")
_DOUBLES = types.Array(types.float64, 1, "C")
_BYTES = types.Array(types.uint8, 1, "C")
_INTS = types.Array(types.int32, 1, "C")


def _block_operation(function: Callable[..., Any]) -> Callable[..., Any]:
    """Let compiled kernels call an operation: as a function of all parameters but the first."""
    return cast(Callable[..., Any], intrinsic(function))


def _vector(kind: Any, values: list[Any]) -> Any:
    return ir.Constant(ir.VectorType(kind, len(values)), values)


def _everywhere(builder: Any, value: Any, lanes: int = BLOCK) -> Any:
    """One value in every lane."""
    empty = ir.Constant(ir.VectorType(value.type, lanes), ir.Undefined)
    first = builder.insert_element(empty, value, _INT(0))
    return builder.shuffle_vector(first, empty, _vector(_INT, [0] * lanes))


def _block_pointer(context: Any, builder: Any, kind: Any, array: Any, at: Any, lanes: int) -> Any:
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(
        builder.gep(data, [at]), ir.VectorType(data.type.pointee, lanes).as_pointer()
    )


def _intrinsic(builder: Any, name: str, kind: Any, n_arguments: int) -> Any:
    """The compiler's own operation of this name, from vectors to a vector of one kind."""
    known = builder.module.globals.get(name)
    return known or ir.Function(builder.module, ir.FunctionType(kind, [kind] * n_arguments), name)


def _squared_distance(builder: Any, east: Any, north_squared: Any) -> Any:
    """(east + k)² + north² for the k-th lane."""
    steps = _vector(_FLOAT, [float(k) for k in range(BLOCK)])
    across = builder.fadd(_everywhere(builder, east), steps)
    square = builder.fmul(across, across, flags=_FUSED)
    return builder.fadd(square, _everywhere(builder, north_squared), flags=_FUSED)


def _is_before(builder: Any, left: Any) -> Any:
    """Whether a lane comes before lane ``left``."""
    return builder.icmp_signed("<", _vector(_INT, list(range(BLOCK))), _everywhere(builder, left))


@_block_operation
def put_squared_distances(typing, scratch, at, east, north_squared, left):  # type: ignore[no-untyped-def]
    """Write (east + k)² + north² for the k-th cell of a block; infinity from cell ``left`` on."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, first, squared, kept = arguments
        distance = _squared_distance(builder, first, squared)
        inside = _is_before(builder, kept)
        value = builder.select(inside, distance, _vector(_FLOAT, [math.inf] * BLOCK))
        place = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        builder.store(value, place, align=4)
        return context.get_dummy_value()

    return types.void(_FLOATS, types.intp, types.float32, types.float32, types.int32), generate


def _hinge(builder: Any, x: Any, knot: Any, slope: Any) -> Any:
    """``slope`` times what ``x`` lacks to ``knot``."""
    short = builder.fsub(_everywhere(builder, knot), x)
    zero = _vector(_FLOAT, [0.0] * BLOCK)
    kept = builder.select(builder.fcmp_ordered(">", short, zero), short, zero)
    return builder.fmul(kept, _everywhere(builder, slope), flags=_FUSED)


@_block_operation
def put_hinged_rates(typing, rates, at, east, north_squared, left, shape):  # type: ignore[no-untyped-def]
    """Write the rates of a profile of two hinges over a block; 0 from cell ``left`` on.

    ``shape`` is 1/radius, base, first knot, its slope, second knot, its slope. The rate is
    base + Σ slope·max(0, knot − x) at x = √((east + k)² + north²)/radius for the k-th cell.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, first, squared, kept, parts = arguments
        inverse, base, *hinges = (builder.extract_value(parts, part) for part in range(6))
        distance_squared = _squared_distance(builder, first, squared)
        root = _intrinsic(builder, f"llvm.sqrt.v{BLOCK}f32", distance_squared.type, 1)
        distance = builder.call(root, [distance_squared])
        x = builder.fmul(distance, _everywhere(builder, inverse))
        rate = _everywhere(builder, base)
        for knot, slope in (hinges[:2], hinges[2:]):
            rate = builder.fadd(rate, _hinge(builder, x, knot, slope), flags=_FUSED)
        inside = _is_before(builder, kept)
        value = builder.select(inside, rate, _vector(_FLOAT, [0.0] * BLOCK))
        place = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        builder.store(value, place, align=4)
        return context.get_dummy_value()

    shape_type = types.UniTuple(types.float32, 6)  # type: ignore[no-untyped-call]
    return (
        types.void(_FLOATS, types.intp, types.float32, types.float32, types.int32, shape_type),
        generate,
    )


@_block_operation
def put_line(typing, scratch, at, first, step):  # type: ignore[no-untyped-def]
    """Write first + k·step for the k-th cell of a block."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, start, rise = arguments
        steps = _vector(_FLOAT, [float(k) for k in range(BLOCK)])
        line = builder.fmul(_everywhere(builder, rise), steps)
        value = builder.fadd(_everywhere(builder, start), line)
        place = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        builder.store(value, place, align=4)
        return context.get_dummy_value()

    return types.void(_FLOATS, types.intp, types.float32, types.float32), generate


@_block_operation
def add_scaled(typing, total, start, scratch, at, scale):  # type: ignore[no-untyped-def]
    """Add ``scale`` times a block of ``scratch`` to a block of ``total``, in double precision."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        sums, to, array, index, factor = arguments
        source = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        place = _block_pointer(context, builder, _DOUBLES, sums, to, BLOCK)
        value = builder.fpext(builder.load(source, align=4), ir.VectorType(_DOUBLE, BLOCK))
        added = builder.fmul(value, _everywhere(builder, factor), flags=_FUSED)
        summed = builder.fadd(builder.load(place, align=8), added, flags=_FUSED)
        builder.store(summed, place, align=8)
        return context.get_dummy_value()

    return types.void(_DOUBLES, types.intp, _FLOATS, types.intp, types.float64), generate


def _add_ones(builder: Any, place: Any, counted: Any, lanes: int) -> None:
    """Add 1 where ``counted``, and stay at 255 there."""
    kind = ir.VectorType(_BYTE, lanes)
    saturating = _intrinsic(builder, f"llvm.uadd.sat.v{lanes}i8", kind, 2)
    ones = builder.zext(counted, kind)
    builder.store(builder.call(saturating, [builder.load(place, align=1), ones]), place, align=1)


@_block_operation
def count_first(typing, count, start, left):  # type: ignore[no-untyped-def]
    """Add 1 to the first ``left`` cells of a long block of counts; 255 stays 255."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, kept = arguments
        cells = _vector(_BYTE, list(range(LONG_BLOCK)))
        limit = builder.select(
            builder.icmp_signed("<", kept, _INT(LONG_BLOCK)), kept, _INT(LONG_BLOCK)
        )
        narrow = _everywhere(builder, builder.trunc(limit, _BYTE), LONG_BLOCK)
        place = _block_pointer(context, builder, _BYTES, array, index, LONG_BLOCK)
        _add_ones(builder, place, builder.icmp_unsigned("<", cells, narrow), LONG_BLOCK)
        return context.get_dummy_value()

    return types.void(_BYTES, types.intp, types.int32), generate


@_block_operation
def count_positive(typing, count, start, scratch, at):  # type: ignore[no-untyped-def]
    """Add 1 to the counts of a block where ``scratch`` is above 0; 255 stays 255."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        counts, to, array, index = arguments
        source = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        value = builder.load(source, align=4)
        wet = builder.fcmp_ordered(">", value, _vector(_FLOAT, [0.0] * BLOCK))
        place = _block_pointer(context, builder, _BYTES, counts, to, BLOCK)
        _add_ones(builder, place, wet, BLOCK)
        return context.get_dummy_value()

    return types.void(_BYTES, types.intp, _FLOATS, types.intp), generate


@_block_operation
def sum_where(typing, flags, start, scratch, at):  # type: ignore[no-untyped-def]
    """Sum of a block of ``scratch`` over the cells whose flag is not 0, in double precision."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        marks, to, array, index = arguments
        source = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        place = _block_pointer(context, builder, _BYTES, marks, to, BLOCK)
        flagged = builder.icmp_unsigned(
            "!=", builder.load(place, align=1), _vector(_BYTE, [0] * BLOCK)
        )
        value = builder.select(
            flagged, builder.load(source, align=4), _vector(_FLOAT, [0.0] * BLOCK)
        )
        wide = builder.fpext(value, ir.VectorType(_DOUBLE, BLOCK))
        total = builder.extract_element(wide, _INT(0))
        for lane in range(1, BLOCK):
            total = builder.fadd(
                total, builder.extract_element(wide, _INT(lane)), flags=("reassoc",)
            )
        return total

    return types.float64(_BYTES, types.intp, _FLOATS, types.intp), generate


@_block_operation
def keep_highest(typing, rates, at, line, source, cells, span):  # type: ignore[no-untyped-def]
    """Copy a block of a line of rates in double precision, and note who is highest in each cell.

    ``span`` is (first cell, how many are left, who); what is copied beyond the last is 0. ``cells``
    is (highest rate, who gives it, how many give any): the first two change where the rate is above
    the highest so far, the count where it is above 0; a count of 255 stays.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        copy, to, doubles, index, kept, where = arguments
        cell, left, who = (builder.extract_value(where, part) for part in range(3))
        zero = _vector(_FLOAT, [0.0] * BLOCK)
        place = _block_pointer(context, builder, _DOUBLES, doubles, index, BLOCK)
        rate = builder.fptrunc(builder.load(place, align=8), zero.type)
        rate = builder.select(_is_before(builder, builder.trunc(left, _INT)), rate, zero)
        place = _block_pointer(context, builder, _FLOATS, copy, to, BLOCK)
        builder.store(rate, place, align=4)
        highest, main, count = (
            _block_pointer(
                context, builder, cells[part], builder.extract_value(kept, part), cell, BLOCK
            )
            for part in range(3)
        )
        before = builder.load(highest, align=4)
        is_higher = builder.fcmp_ordered(">", rate, before)
        builder.store(builder.select(is_higher, rate, before), highest, align=4)
        owner = _everywhere(builder, builder.trunc(who, _INT))
        builder.store(builder.select(is_higher, owner, builder.load(main, align=4)), main, align=4)
        _add_ones(builder, count, builder.fcmp_ordered(">", rate, zero), BLOCK)
        return context.get_dummy_value()

    triple = types.UniTuple(types.intp, 3)  # type: ignore[no-untyped-call]
    return types.void(_FLOATS, types.intp, _DOUBLES, types.intp, cells, triple), generate


def _sum_of_lanes(builder: Any, value: Any) -> Any:
    """Sum of a block, halved until one lane is left."""
    lanes = BLOCK
    while lanes > 1:
        lanes //= 2
        low, high = (
            builder.shuffle_vector(value, value, _vector(_INT, list(range(first, first + lanes))))
            for first in (0, lanes)
        )
        value = builder.fadd(low, high)
    return builder.extract_element(value, _INT(0))


@_block_operation
def excess_sums(typing, wettings, rates, start, stop, hours, thresholds_mm):  # type: ignore[no-untyped-def]
    """Sums of what the depths on the cells from ``start`` to ``stop`` have above each threshold.

    The depth is rate times ``hours`` as far as no more than one zone wets the cell, and 0 on
    others; thresholds are not negative.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        marks, array, first, end, scale, limits = arguments
        zero, dry = _vector(_DOUBLE, [0.0] * BLOCK), _vector(_FLOAT, [0.0] * BLOCK)
        sums = [cgutils.alloca_once_value(builder, zero) for _ in thresholds_mm]  # type: ignore[no-untyped-call]
        step = ir.Constant(first.type, BLOCK)
        with cgutils.for_range_slice(builder, first, end, step, inc=True) as (at, _):
            left = builder.trunc(builder.sub(end, at), _INT)
            place = _block_pointer(context, builder, _BYTES, marks, at, BLOCK)
            once = builder.icmp_unsigned(
                "<=", builder.load(place, align=1), _vector(_BYTE, [1] * BLOCK)
            )
            wanted = builder.and_(once, _is_before(builder, left))
            place = _block_pointer(context, builder, _FLOATS, array, at, BLOCK)
            rate = builder.select(wanted, builder.load(place, align=4), dry)
            depth = builder.fmul(builder.fpext(rate, zero.type), _everywhere(builder, scale))
            for number, total in enumerate(sums):
                limit = _everywhere(builder, builder.extract_value(limits, number))
                excess = builder.fsub(depth, limit)
                excess = builder.select(builder.fcmp_ordered(">", excess, zero), excess, zero)
                builder.store(builder.fadd(builder.load(total), excess), total)
        found = [_sum_of_lanes(builder, builder.load(total)) for total in sums]
        return context.make_tuple(builder, signature.return_type, found)

    return (
        thresholds_mm(_BYTES, _FLOATS, types.intp, types.intp, types.float64, thresholds_mm),
        generate,
    )


# --- lanes of a block ----------------------------------------------------------------------------


def _as_bits(builder: Any, lanes: Any) -> Any:
    """A whole number with bit k for the k-th lane."""
    return builder.zext(builder.bitcast(lanes, ir.IntType(BLOCK)), _LONG)


@_block_operation
def shared_lanes(typing, wettings, cell, rates, at, left):  # type: ignore[no-untyped-def]
    """Cells of a block, as bits, that get rates above 0 and are wetted by several zones."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        marks, first, array, index, kept = arguments
        place = _block_pointer(context, builder, _BYTES, marks, first, BLOCK)
        several = builder.icmp_unsigned(
            ">", builder.load(place, align=1), _vector(_BYTE, [1] * BLOCK)
        )
        place = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        rate = builder.load(place, align=4)
        wet = builder.fcmp_ordered(">", rate, _vector(_FLOAT, [0.0] * BLOCK))
        return _as_bits(
            builder, builder.and_(builder.and_(several, wet), _is_before(builder, kept))
        )

    return types.int64(_BYTES, types.intp, _FLOATS, types.intp, types.int32), generate


@_block_operation
def alike_lanes(typing, numbers, at, number):  # type: ignore[no-untyped-def]
    """Cells of a block, as bits, that have a number."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, wanted = arguments
        place = _block_pointer(context, builder, _INTS, array, index, BLOCK)
        same = builder.icmp_signed("==", builder.load(place, align=4), _everywhere(builder, wanted))
        return _as_bits(builder, same)

    return types.int64(_INTS, types.intp, types.int32), generate


@_block_operation
def first_lane(typing, lanes):  # type: ignore[no-untyped-def]
    """Number of the first bit that is set; of none, 64."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        return builder.cttz(arguments[0], _BIT(0))

    return types.int64(types.int64), generate


@_block_operation
def lanes_before(typing, left):  # type: ignore[no-untyped-def]
    """The first ``left`` cells of a block, as bits; all of them where it has no more."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        return _as_bits(builder, _is_before(builder, arguments[0]))

    return types.int64(types.int32), generate


@_block_operation
def pack(typing, packed, n, values, at, lanes):  # type: ignore[no-untyped-def]
    """Append those cells of a block that are in ``lanes`` to the first ``n``; how many there are.

    A block beyond them is overwritten.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        to, count, array, index, bits = arguments
        place = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        block = builder.load(place, align=4)
        target = context.make_array(_FLOATS)(context, builder, to).data
        for lane in range(BLOCK):  # each overwrites the one before that is not wanted
            value = builder.extract_element(block, _INT(lane))
            builder.store(value, builder.gep(target, [count]), align=4)
            bit = builder.and_(builder.lshr(bits, _LONG(lane)), _LONG(1))
            count = builder.add(count, bit)
        return count

    return types.int64(_FLOATS, types.int64, _FLOATS, types.intp, types.int64), generate


# --- water on the surface ------------------------------------------------------------------------


class _Lanes:
    """A block of numbers in double precision, to write a formula with."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder = builder
        self.value = value if isinstance(value.type, ir.VectorType) else _everywhere(builder, value)

    def __add__(self, other: _Lanes) -> _Lanes:
        return _Lanes(self.builder, self.builder.fadd(self.value, other.value, flags=_FUSED))

    def __sub__(self, other: _Lanes) -> _Lanes:
        return _Lanes(self.builder, self.builder.fsub(self.value, other.value, flags=_FUSED))

    def __mul__(self, other: _Lanes) -> _Lanes:
        return _Lanes(self.builder, self.builder.fmul(self.value, other.value, flags=_FUSED))

    def at_most(self, other: _Lanes) -> _Lanes:
        """The lower of both."""
        is_lower = self.builder.fcmp_ordered("<", self.value, other.value)
        return self.where(is_lower, other)

    def at_least(self, other: _Lanes) -> _Lanes:
        """The higher of both."""
        is_higher = self.builder.fcmp_ordered(">", self.value, other.value)
        return self.where(is_higher, other)

    def not_negative(self) -> _Lanes:
        """Itself, or 0."""
        return self.at_least(_Lanes(self.builder, _vector(_DOUBLE, [0.0] * BLOCK)))

    def where(self, lanes: Any, other: _Lanes) -> _Lanes:
        """Itself in some lanes, the other in the rest."""
        return _Lanes(self.builder, self.builder.select(lanes, self.value, other.value))


@_block_operation
def run_over_surfaces(typing, rates, at, surface, cells, run, soils):  # type: ignore[no-untyped-def]
    """Let a run of equal cycles fall on a block of cells; the sums of its rates and what is shed.

    Parameters
    ----------
    rates : array of float32
        From index ``at`` on, in mm/h.
    surface : tuple of arrays
        Hour until which each cell is known, and the water that lies on it then, in mm, on each of
        the soils; all are brought to the end of the run.
    cells : (int, int)
        First cell, and the bits of those on which the water falls.
    run : (float, float, float, float, float)
        Hours of start and end, hours of a cycle, soaks between cycles, hours of a soak.
    soils : tuple of float
        Intake in mm/h of each soil, then the storage in mm of each.

    Returns
    -------
    tuple of float
        Sum of the rates, and of the mm that the cells shed on each soil.

    Notes
    -----
    A cycle raises the water by the rate less the intake, which may be negative; each soak takes in
    up to the intake times its hours. From cycle to cycle the water rises or falls steadily, until
    it meets the storage or the soaks empty the surface. So a surface that gains, once it is full,
    sheds the gain of every later cycle; one that does not can shed in the first cycle only.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, known, where, times, ground = arguments
        first, bits = (builder.extract_value(where, part) for part in range(2))
        lanes = builder.bitcast(builder.trunc(bits, ir.IntType(BLOCK)), ir.VectorType(_BIT, BLOCK))

        def pointer(number: int) -> Any:
            own = builder.extract_value(known, number)
            return _block_pointer(context, builder, surface[number], own, first, BLOCK)

        def given(values: Any, number: int) -> _Lanes:
            return _Lanes(builder, builder.extract_value(values, number))

        zero = _Lanes(builder, _vector(_DOUBLE, [0.0] * BLOCK))
        place = _block_pointer(context, builder, _FLOATS, array, index, BLOCK)
        single = builder.load(place, align=4)
        rate = _Lanes(builder, builder.fpext(single, zero.value.type)).where(lanes, zero)
        start, end, hours, soaks, soak_hours = (given(times, part) for part in range(5))
        clock = _Lanes(builder, builder.load(pointer(0), align=8))
        pause = start - clock
        builder.store(end.where(lanes, clock).value, pointer(0), align=8)
        found = [rate]
        for soil in range(n_soils):
            intake, limit = given(ground, soil), given(ground, n_soils + soil)
            before = _Lanes(builder, builder.load(pointer(1 + soil), align=8))
            rise, soaked = (rate - intake) * hours, intake * soak_hours
            filled = (before - intake * pause).not_negative() + rise
            gain = (rise - limit.at_most(soaked)).not_negative()
            left = filled.at_most(limit) + soaks * (rise - soaked)
            left = left.at_least(rise).not_negative().at_most(limit)
            builder.store(left.where(lanes, before).value, pointer(1 + soil), align=8)
            shed = (filled - limit + soaks * gain).not_negative()
            found.append(shed.where(lanes, zero))
        sums = [_sum_of_lanes(builder, one.value) for one in found]
        return context.make_tuple(builder, signature.return_type, sums)

    n_soils = len(surface) - 1
    pair = types.UniTuple(types.int64, 2)  # type: ignore[no-untyped-call]
    sums_type = types.UniTuple(types.float64, 1 + n_soils)  # type: ignore[no-untyped-call]
    return sums_type(_FLOATS, types.intp, surface, pair, run, soils), generate
