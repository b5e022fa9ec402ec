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
from numba.extending import intrinsic

BLOCK = 8  # cells in a block
LONG_BLOCK = 32  # cells in a block of counts, which are bytes

_FLOAT, _DOUBLE, _BIT, _BYTE = ir.FloatType(), ir.DoubleType(), ir.IntType(1), ir.IntType(8)
_INT = ir.IntType(32)
_FUSED = ("contract",)  # a product and a sum may be rounded once
_FLOATS = types.Array(types.float32, 1, "C")
_DOUBLES = types.Array(types.float64, 1, "C")
_BYTES = types.Array(types.uint8, 1, "C")


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
def add_excesses(typing, sums, wettings, rates, cells, hours, thresholds_mm):  # type: ignore[no-untyped-def]
    """Add what the depths on a block of cells have above each threshold, lane by lane.

    Cells are (first, how many are left). The depth is rate times ``hours`` as far as no more than
    one zone wets the cell, and 0 on others and beyond the last; thresholds are not negative.
    ``sums`` has a block for each of them.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        totals, marks, array, span, scale, limits = arguments
        at, left = (builder.extract_value(span, part) for part in range(2))
        place = _block_pointer(context, builder, _BYTES, marks, at, BLOCK)
        once = builder.icmp_unsigned(
            "<=", builder.load(place, align=1), _vector(_BYTE, [1] * BLOCK)
        )
        wanted = builder.and_(once, _is_before(builder, builder.trunc(left, _INT)))
        place = _block_pointer(context, builder, _FLOATS, array, at, BLOCK)
        zero = _vector(_FLOAT, [0.0] * BLOCK)
        rate = builder.select(wanted, builder.load(place, align=4), zero)
        wide = builder.fpext(rate, ir.VectorType(_DOUBLE, BLOCK))
        depth = builder.fmul(wide, _everywhere(builder, scale))
        zero = _vector(_DOUBLE, [0.0] * BLOCK)
        for number in range(len(thresholds_mm)):
            limit = _everywhere(builder, builder.extract_value(limits, number))
            excess = builder.fsub(depth, limit)
            excess = builder.select(builder.fcmp_ordered(">", excess, zero), excess, zero)
            to = ir.Constant(at.type, number * BLOCK)
            place = _block_pointer(context, builder, _DOUBLES, totals, to, BLOCK)
            builder.store(builder.fadd(builder.load(place, align=8), excess), place, align=8)
        return context.get_dummy_value()

    pair = types.UniTuple(types.intp, 2)  # type: ignore[no-untyped-call]
    return types.void(_DOUBLES, _BYTES, _FLOATS, pair, types.float64, thresholds_mm), generate
