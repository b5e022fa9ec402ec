"""The cells that a head wets, block by block: distances, rates, counts. For compiled kernels."""

from __future__ import annotations

import math
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types

from geoirrig.block_instructions import (
    BLOCK,
    BYTE,
    BYTES,
    DOUBLE,
    DOUBLES,
    FLOAT,
    FLOATS,
    FUSED,
    INT,
    LONG_BLOCK,
    add_ones,
    block_operation,
    block_pointer,
    everywhere,
    is_before,
    named_instruction,
    vector,
)


def _squared_distance(builder: Any, east: Any, north_squared: Any) -> Any:
    """(east + k)² + north² for the k-th lane."""
    steps = vector(FLOAT, [float(k) for k in range(BLOCK)])
    across = builder.fadd(everywhere(builder, east), steps)
    square = builder.fmul(across, across, flags=FUSED)
    return builder.fadd(square, everywhere(builder, north_squared), flags=FUSED)


@block_operation
def put_squared_distances(typing, scratch, at, east, north_squared, left):  # type: ignore[no-untyped-def]
    """Write (east + k)² + north² for the k-th cell of a block; infinity from cell ``left`` on."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, first, squared, kept = arguments
        distance = _squared_distance(builder, first, squared)
        inside = is_before(builder, kept)
        value = builder.select(inside, distance, vector(FLOAT, [math.inf] * BLOCK))
        place = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        builder.store(value, place, align=4)
        return context.get_dummy_value()

    return types.void(FLOATS, types.intp, types.float32, types.float32, types.int32), generate


def _hinge(builder: Any, x: Any, knot: Any, slope: Any) -> Any:
    """``slope`` times what ``x`` lacks to ``knot``."""
    short = builder.fsub(everywhere(builder, knot), x)
    zero = vector(FLOAT, [0.0] * BLOCK)
    kept = builder.select(builder.fcmp_ordered(">", short, zero), short, zero)
    return builder.fmul(kept, everywhere(builder, slope), flags=FUSED)


@block_operation
def put_hinged_rates(typing, rates, at, east, north_squared, left, shape):  # type: ignore[no-untyped-def]
    """Write the rates of a profile of two hinges over a block; 0 from cell ``left`` on.

    ``shape`` is 1/radius, base, first knot, its slope, second knot, its slope. The rate is
    base + Σ slope·max(0, knot − x) at x = √((east + k)² + north²)/radius for the k-th cell.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, first, squared, kept, parts = arguments
        inverse, base, *hinges = (builder.extract_value(parts, part) for part in range(6))
        distance_squared = _squared_distance(builder, first, squared)
        root = named_instruction(builder, f"llvm.sqrt.v{BLOCK}f32", distance_squared.type, 1)
        distance = builder.call(root, [distance_squared])
        x = builder.fmul(distance, everywhere(builder, inverse))
        rate = everywhere(builder, base)
        for knot, slope in (hinges[:2], hinges[2:]):
            rate = builder.fadd(rate, _hinge(builder, x, knot, slope), flags=FUSED)
        inside = is_before(builder, kept)
        value = builder.select(inside, rate, vector(FLOAT, [0.0] * BLOCK))
        place = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        builder.store(value, place, align=4)
        return context.get_dummy_value()

    shape_type = types.UniTuple(types.float32, 6)  # type: ignore[no-untyped-call]
    return (
        types.void(FLOATS, types.intp, types.float32, types.float32, types.int32, shape_type),
        generate,
    )


@block_operation
def put_line(typing, scratch, at, first, step):  # type: ignore[no-untyped-def]
    """Write first + k·step for the k-th cell of a block."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, start, rise = arguments
        steps = vector(FLOAT, [float(k) for k in range(BLOCK)])
        line = builder.fmul(everywhere(builder, rise), steps)
        value = builder.fadd(everywhere(builder, start), line)
        place = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        builder.store(value, place, align=4)
        return context.get_dummy_value()

    return types.void(FLOATS, types.intp, types.float32, types.float32), generate


@block_operation
def add_scaled(typing, total, start, scratch, at, scale):  # type: ignore[no-untyped-def]
    """Add ``scale`` times a block of ``scratch`` to a block of ``total``, in double precision."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        sums, to, array, index, factor = arguments
        source = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        place = block_pointer(context, builder, DOUBLES, sums, to, BLOCK)
        value = builder.fpext(builder.load(source, align=4), ir.VectorType(DOUBLE, BLOCK))
        added = builder.fmul(value, everywhere(builder, factor), flags=FUSED)
        summed = builder.fadd(builder.load(place, align=8), added, flags=FUSED)
        builder.store(summed, place, align=8)
        return context.get_dummy_value()

    return types.void(DOUBLES, types.intp, FLOATS, types.intp, types.float64), generate


@block_operation
def count_first(typing, count, start, left):  # type: ignore[no-untyped-def]
    """Add 1 to the first ``left`` cells of a long block of counts; 255 stays 255."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, kept = arguments
        cells = vector(BYTE, list(range(LONG_BLOCK)))
        limit = builder.select(
            builder.icmp_signed("<", kept, INT(LONG_BLOCK)), kept, INT(LONG_BLOCK)
        )
        narrow = everywhere(builder, builder.trunc(limit, BYTE), LONG_BLOCK)
        place = block_pointer(context, builder, BYTES, array, index, LONG_BLOCK)
        add_ones(builder, place, builder.icmp_unsigned("<", cells, narrow), LONG_BLOCK)
        return context.get_dummy_value()

    return types.void(BYTES, types.intp, types.int32), generate


@block_operation
def count_positive(typing, count, start, scratch, at):  # type: ignore[no-untyped-def]
    """Add 1 to the counts of a block where ``scratch`` is above 0; 255 stays 255."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        counts, to, array, index = arguments
        source = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        value = builder.load(source, align=4)
        wet = builder.fcmp_ordered(">", value, vector(FLOAT, [0.0] * BLOCK))
        place = block_pointer(context, builder, BYTES, counts, to, BLOCK)
        add_ones(builder, place, wet, BLOCK)
        return context.get_dummy_value()

    return types.void(BYTES, types.intp, FLOATS, types.intp), generate


@block_operation
def sum_where(typing, flags, start, scratch, at):  # type: ignore[no-untyped-def]
    """Sum of a block of ``scratch`` over the cells whose flag is not 0, in double precision."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        marks, to, array, index = arguments
        source = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        place = block_pointer(context, builder, BYTES, marks, to, BLOCK)
        flagged = builder.icmp_unsigned(
            "!=", builder.load(place, align=1), vector(BYTE, [0] * BLOCK)
        )
        value = builder.select(flagged, builder.load(source, align=4), vector(FLOAT, [0.0] * BLOCK))
        wide = builder.fpext(value, ir.VectorType(DOUBLE, BLOCK))
        total = builder.extract_element(wide, INT(0))
        for lane in range(1, BLOCK):
            total = builder.fadd(
                total, builder.extract_element(wide, INT(lane)), flags=("reassoc",)
            )
        return total

    return types.float64(BYTES, types.intp, FLOATS, types.intp), generate
