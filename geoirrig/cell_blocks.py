"""Turf cells, block by block: whose they are and what lies on them. For compiled kernels."""

from __future__ import annotations

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils

from geoirrig.block_instructions import (
    BIT,
    BLOCK,
    BYTE,
    BYTES,
    DOUBLE,
    DOUBLES,
    FLOAT,
    FLOATS,
    INT,
    INTS,
    LONG,
    Lanes,
    add_ones,
    as_bits,
    block_operation,
    block_pointer,
    everywhere,
    is_before,
    sum_of_lanes,
    vector,
)


@block_operation
def keep_highest(typing, rates, at, line, source, cells, span):  # type: ignore[no-untyped-def]
    """Copy a block of a line of rates in double precision, and note who is highest in each cell.

    ``span`` is (first cell, how many are left, who); what is copied beyond the last is 0. ``cells``
    is (highest rate, who gives it, how many give any): the first two change where the rate is above
    the highest so far, the count where it is above 0; a count of 255 stays. Returned are, as bits,
    the cells where it is above 0.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        copy, to, doubles, index, kept, where = arguments
        cell, left, who = (builder.extract_value(where, part) for part in range(3))
        zero = vector(FLOAT, [0.0] * BLOCK)
        place = block_pointer(context, builder, DOUBLES, doubles, index, BLOCK)
        rate = builder.fptrunc(builder.load(place, align=8), zero.type)
        rate = builder.select(is_before(builder, builder.trunc(left, INT)), rate, zero)
        place = block_pointer(context, builder, FLOATS, copy, to, BLOCK)
        builder.store(rate, place, align=4)
        highest, main, count = (
            block_pointer(
                context, builder, cells[part], builder.extract_value(kept, part), cell, BLOCK
            )
            for part in range(3)
        )
        before = builder.load(highest, align=4)
        is_higher = builder.fcmp_ordered(">", rate, before)
        builder.store(builder.select(is_higher, rate, before), highest, align=4)
        owner = everywhere(builder, builder.trunc(who, INT))
        builder.store(builder.select(is_higher, owner, builder.load(main, align=4)), main, align=4)
        is_wet = builder.fcmp_ordered(">", rate, zero)
        add_ones(builder, count, is_wet, BLOCK)
        return as_bits(builder, is_wet)

    triple = types.UniTuple(types.intp, 3)  # type: ignore[no-untyped-call]
    return types.int64(FLOATS, types.intp, DOUBLES, types.intp, cells, triple), generate


@block_operation
def excess_sums(typing, wettings, rates, start, stop, hours, thresholds_mm):  # type: ignore[no-untyped-def]
    """Sums of what the depths on the cells from ``start`` to ``stop`` have above each threshold.

    The depth is rate times ``hours`` as far as no more than one zone wets the cell, and 0 on
    others; thresholds are not negative.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        marks, array, first, end, scale, limits = arguments
        zero, dry = vector(DOUBLE, [0.0] * BLOCK), vector(FLOAT, [0.0] * BLOCK)
        sums = [cgutils.alloca_once_value(builder, zero) for _ in thresholds_mm]  # type: ignore[no-untyped-call]
        step = ir.Constant(first.type, BLOCK)
        with cgutils.for_range_slice(builder, first, end, step, inc=True) as (at, _):
            left = builder.trunc(builder.sub(end, at), INT)
            place = block_pointer(context, builder, BYTES, marks, at, BLOCK)
            once = builder.icmp_unsigned(
                "<=", builder.load(place, align=1), vector(BYTE, [1] * BLOCK)
            )
            wanted = builder.and_(once, is_before(builder, left))
            place = block_pointer(context, builder, FLOATS, array, at, BLOCK)
            rate = builder.select(wanted, builder.load(place, align=4), dry)
            depth = builder.fmul(builder.fpext(rate, zero.type), everywhere(builder, scale))
            for number, total in enumerate(sums):
                limit = everywhere(builder, builder.extract_value(limits, number))
                excess = builder.fsub(depth, limit)
                excess = builder.select(builder.fcmp_ordered(">", excess, zero), excess, zero)
                builder.store(builder.fadd(builder.load(total), excess), total)
        found = [sum_of_lanes(builder, builder.load(total)) for total in sums]
        return context.make_tuple(builder, signature.return_type, found)

    return (
        thresholds_mm(BYTES, FLOATS, types.intp, types.intp, types.float64, thresholds_mm),
        generate,
    )


# --- lanes ---------------------------------------------------------------------------------------


@block_operation
def shared_lanes(typing, wettings, cell, rates, at, left):  # type: ignore[no-untyped-def]
    """Cells of a block, as bits, that get rates above 0 and are wetted by several zones."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        marks, first, array, index, kept = arguments
        place = block_pointer(context, builder, BYTES, marks, first, BLOCK)
        several = builder.icmp_unsigned(
            ">", builder.load(place, align=1), vector(BYTE, [1] * BLOCK)
        )
        place = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        rate = builder.load(place, align=4)
        wet = builder.fcmp_ordered(">", rate, vector(FLOAT, [0.0] * BLOCK))
        return as_bits(builder, builder.and_(builder.and_(several, wet), is_before(builder, kept)))

    return types.int64(BYTES, types.intp, FLOATS, types.intp, types.int32), generate


@block_operation
def alike_lanes(typing, numbers, at, number):  # type: ignore[no-untyped-def]
    """Cells of a block, as bits, that have a number."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        array, index, wanted = arguments
        place = block_pointer(context, builder, INTS, array, index, BLOCK)
        same = builder.icmp_signed("==", builder.load(place, align=4), everywhere(builder, wanted))
        return as_bits(builder, same)

    return types.int64(INTS, types.intp, types.int32), generate


@block_operation
def first_lane(typing, lanes):  # type: ignore[no-untyped-def]
    """Number of the first bit that is set; of none, 64."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        return builder.cttz(arguments[0], BIT(0))

    return types.int64(types.int64), generate


@block_operation
def lanes_before(typing, left):  # type: ignore[no-untyped-def]
    """The first ``left`` cells of a block, as bits; all of them where it has no more."""

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        return as_bits(builder, is_before(builder, arguments[0]))

    return types.int64(types.int32), generate


@block_operation
def pack(typing, packed, n, values, at, lanes):  # type: ignore[no-untyped-def]
    """Append those cells of a block that are in ``lanes`` to the first ``n``; how many there are.

    A block beyond them is overwritten.
    """

    def generate(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        to, count, array, index, bits = arguments
        place = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        block = builder.load(place, align=4)
        target = context.make_array(FLOATS)(context, builder, to).data
        for lane in range(BLOCK):  # each overwrites the one before that is not wanted
            value = builder.extract_element(block, INT(lane))
            builder.store(value, builder.gep(target, [count]), align=4)
            bit = builder.and_(builder.lshr(bits, LONG(lane)), LONG(1))
            count = builder.add(count, bit)
        return count

    return types.int64(FLOATS, types.int64, FLOATS, types.intp, types.int64), generate


# --- water on the surface ------------------------------------------------------------------------


@block_operation
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
        lanes = builder.bitcast(builder.trunc(bits, ir.IntType(BLOCK)), ir.VectorType(BIT, BLOCK))

        def pointer(number: int) -> Any:
            own = builder.extract_value(known, number)
            return block_pointer(context, builder, surface[number], own, first, BLOCK)

        def given(values: Any, number: int) -> Lanes:
            return Lanes(builder, builder.extract_value(values, number))

        zero = Lanes(builder, vector(DOUBLE, [0.0] * BLOCK))
        place = block_pointer(context, builder, FLOATS, array, index, BLOCK)
        single = builder.load(place, align=4)
        rate = Lanes(builder, builder.fpext(single, zero.value.type)).where(lanes, zero)
        start, end, hours, soaks, soak_hours = (given(times, part) for part in range(5))
        clock = Lanes(builder, builder.load(pointer(0), align=8))
        pause = start - clock
        builder.store(end.where(lanes, clock).value, pointer(0), align=8)
        found = [rate]
        for soil in range(n_soils):
            intake, limit = given(ground, soil), given(ground, n_soils + soil)
            before = Lanes(builder, builder.load(pointer(1 + soil), align=8))
            rise, soaked = (rate - intake) * hours, intake * soak_hours
            filled = (before - intake * pause).not_negative() + rise
            gain = (rise - limit.at_most(soaked)).not_negative()
            left = filled.at_most(limit) + soaks * (rise - soaked)
            left = left.at_least(rise).not_negative().at_most(limit)
            builder.store(left.where(lanes, before).value, pointer(1 + soil), align=8)
            shed = (filled - limit + soaks * gain).not_negative()
            found.append(shed.where(lanes, zero))
        sums = [sum_of_lanes(builder, one.value) for one in found]
        return context.make_tuple(builder, signature.return_type, sums)

    n_soils = len(surface) - 1
    pair = types.UniTuple(types.int64, 2)  # type: ignore[no-untyped-call]
    sums_type = types.UniTuple(types.float64, 1 + n_soils)  # type: ignore[no-untyped-call]
    return sums_type(FLOATS, types.intp, surface, pair, run, soils), generate
