"""How operations on blocks of cells are written, as vector instructions of the compiler.

A run of some twenty cells is too short for the compiler's own loop vectoriser: its time goes into
run-time checks and left-over cells. Operations are therefore written in the compiler's intermediate
language, which it translates for any processor.

Each operation takes a whole block of cells from an index on. Bounds are not checked: arrays must
reach one block beyond the last cell in use.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic

BLOCK = 8  # cells in a block
LONG_BLOCK = 32  # cells in a block of counts, which are bytes

FLOAT, DOUBLE, BIT, BYTE = ir.FloatType(), ir.DoubleType(), ir.IntType(1), ir.IntType(8)
INT, LONG = ir.IntType(32), ir.IntType(64)
FUSED = ("contract",)  # a product and a sum may be rounded once
FLOATS = types.Array(types.float32, 1, "C")
DOUBLES = types.Array(types.float64, 1, "C")
BYTES = types.Array(types.uint8, 1, "C")
INTS = types.Array(types.int32, 1, "C")


def block_operation(function: Callable[..., Any]) -> Callable[..., Any]:
    """Let compiled kernels call an operation: as a function of all parameters but the first."""
    return cast(Callable[..., Any], intrinsic(function))


def vector(kind: Any, values: list[Any]) -> Any:
    """Fixed numbers, one in each lane."""
    return ir.Constant(ir.VectorType(kind, len(values)), values)


def everywhere(builder: Any, value: Any, lanes: int = BLOCK) -> Any:
    """One value in every lane."""
    empty = ir.Constant(ir.VectorType(value.type, lanes), ir.Undefined)
    first = builder.insert_element(empty, value, INT(0))
    return builder.shuffle_vector(first, empty, vector(INT, [0] * lanes))


def block_pointer(context: Any, builder: Any, kind: Any, array: Any, at: Any, lanes: int) -> Any:
    """Where the block of an array from an index on lies."""
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(
        builder.gep(data, [at]), ir.VectorType(data.type.pointee, lanes).as_pointer()
    )


def named_instruction(builder: Any, name: str, kind: Any, n_arguments: int) -> Any:
    """The compiler's own operation of this name, from vectors to a vector of one kind."""
    known = builder.module.globals.get(name)
    return known or ir.Function(builder.module, ir.FunctionType(kind, [kind] * n_arguments), name)


def is_before(builder: Any, left: Any) -> Any:
    """Whether a lane comes before lane ``left``."""
    return builder.icmp_signed("<", vector(INT, list(range(BLOCK))), everywhere(builder, left))


def add_ones(builder: Any, place: Any, counted: Any, lanes: int) -> None:
    """Add 1 where ``counted``, and stay at 255 there."""
    kind = ir.VectorType(BYTE, lanes)
    saturating = named_instruction(builder, f"llvm.uadd.sat.v{lanes}i8", kind, 2)
    ones = builder.zext(counted, kind)
    builder.store(builder.call(saturating, [builder.load(place, align=1), ones]), place, align=1)


def as_bits(builder: Any, lanes: Any) -> Any:
    """A whole number with bit k for the k-th lane."""
    return builder.zext(builder.bitcast(lanes, ir.IntType(BLOCK)), LONG)


def sum_of_lanes(builder: Any, value: Any) -> Any:
    """Sum of a block, halved until one lane is left."""
    lanes = BLOCK
    while lanes > 1:
        lanes //= 2
        low, high = (
            builder.shuffle_vector(value, value, vector(INT, list(range(first, first + lanes))))
            for first in (0, lanes)
        )
        value = builder.fadd(low, high)
    return builder.extract_element(value, INT(0))


class Lanes:
    """A block of numbers in double precision, to write a formula with."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder = builder
        self.value = value if isinstance(value.type, ir.VectorType) else everywhere(builder, value)

    def __add__(self, other: Lanes) -> Lanes:
        return Lanes(self.builder, self.builder.fadd(self.value, other.value, flags=FUSED))

    def __sub__(self, other: Lanes) -> Lanes:
        return Lanes(self.builder, self.builder.fsub(self.value, other.value, flags=FUSED))

    def __mul__(self, other: Lanes) -> Lanes:
        return Lanes(self.builder, self.builder.fmul(self.value, other.value, flags=FUSED))

    def at_most(self, other: Lanes) -> Lanes:
        """The lower of both."""
        is_lower = self.builder.fcmp_ordered("<", self.value, other.value)
        return self.where(is_lower, other)

    def at_least(self, other: Lanes) -> Lanes:
        """The higher of both."""
        is_higher = self.builder.fcmp_ordered(">", self.value, other.value)
        return self.where(is_higher, other)

    def not_negative(self) -> Lanes:
        """Itself, or 0."""
        return self.at_least(Lanes(self.builder, vector(DOUBLE, [0.0] * BLOCK)))

    def where(self, lanes: Any, other: Lanes) -> Lanes:
        """Itself in some lanes, the other in the rest."""
        return Lanes(self.builder, self.builder.select(lanes, self.value, other.value))
