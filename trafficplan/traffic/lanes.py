"""Eight depths in one vector, and plain memory: small compiler intrinsics for the event loop.

Every operation here is a float32 add, multiply, compare, maximum or square root, each correctly rounded by IEEE 754
and never fused, so an event gives the same bits on one lane or eight.

Addresses stand where arrays would: numba counts references to every array that a function is given, and two threads
that count the same table's references wait for each other. Who passes an address keeps its array alive.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import extending, types
from numba.core import cgutils

intrinsic: Any = extending.intrinsic

#: Depths in one vector; 9 to 16 depths take two.
LANES = 8

_F32 = ir.FloatType()
_F64 = ir.DoubleType()
_I64 = ir.IntType(64)
_VEC = ir.VectorType(_F32, LANES)
#: No value here is ever NaN or depends on the sign of zero; said to the compiler, a maximum is one instruction.
_NO_NAN = ("nnan", "nsz")
#: What the compiler takes as the value of a function without one.
_NOTHING = ir.Constant(ir.IntType(8).as_pointer(), None)


def _at(builder: Any, base: Any, index: Any, kind: Any, item: Any) -> Any:
    """Pointer to `kind` at `base` plus `index` items."""
    start = builder.inttoptr(base, item.as_pointer())
    return builder.bitcast(builder.gep(start, [index]), kind.as_pointer())


def _splat(builder: Any, value: Any, count: int = LANES) -> Any:
    """Repeat a scalar in all lanes."""
    empty = ir.Constant(ir.VectorType(_F32, count), ir.Undefined)
    one = builder.insert_element(empty, value, ir.IntType(32)(0))
    return builder.shuffle_vector(one, one, ir.Constant(ir.VectorType(ir.IntType(32), count), [0] * count))


def _larger(builder: Any, a: Any, b: Any) -> Any:
    kind = ir.FunctionType(_VEC, [_VEC, _VEC])
    largest: Any = cgutils.get_or_insert_function
    return builder.call(largest(builder.module, kind, "llvm.maxnum.v8f32"), [a, b], fastmath=_NO_NAN)


def _root(builder: Any, a: Any) -> Any:
    kind = ir.FunctionType(_VEC, [_VEC])
    root: Any = cgutils.get_or_insert_function
    return builder.call(root(builder.module, kind, "llvm.sqrt.v8f32"), [a])


def _bits(builder: Any, lanes: Any, count: int = LANES) -> Any:
    """One bit per lane as an integer."""
    return builder.zext(builder.bitcast(lanes, ir.IntType(count)), _I64)


def _vector(builder: Any, base: Any, index: Any) -> Any:
    return _at(builder, base, index, _VEC, _F32)


def _load(builder: Any, pointer: Any) -> Any:
    return builder.load(pointer, align=4)


def _store(builder: Any, value: Any, pointer: Any) -> None:
    builder.store(value, pointer, align=4)


def _stress(builder: Any, table: Any, low: Any, high: Any, part: Any) -> Any:
    """Linear between the table rows that start at floats `low` and `high`."""
    one = _load(builder, _vector(builder, table, low))
    two = _load(builder, _vector(builder, table, high))
    return builder.fadd(one, builder.fmul(_splat(builder, part), builder.fsub(two, one)))


_EVENT = (types.intp, types.intp, types.intp, types.intp, types.float32, types.intp)


@intrinsic
def load_event(
    _typing: Any, _state: Any, _table: Any, _low: Any, _high: Any, _part: Any, _inverse: Any
) -> tuple[Any, Callable[..., Any]]:
    """Apply one event to eight depths; return bits 0-7 ratio over 1, bits 8-15 ratio over the old highest.

    `state` is the address of highest stress | highest ratio | exp(M) | events over 1, eight floats each. The stress is
    linear (`part`) between the floats from `low` and from `high` on in `table`; the ratio is stress times the eight
    floats at `inverse` (1 / strength). exp(M) and the count are left for `compact`, where bits 0-7 are set.
    """

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        state, table, low, high, part, inverse = args
        stress = _stress(builder, table, low, high, part)
        ratio = builder.fmul(stress, _load(builder, _vector(builder, inverse, _I64(0))))
        top = _vector(builder, state, _I64(0))
        _store(builder, _larger(builder, stress, _load(builder, top)), top)
        highest = _vector(builder, state, _I64(LANES))
        old = _load(builder, highest)
        _store(builder, _larger(builder, ratio, old), highest)
        over = builder.fcmp_ordered(">", ratio, ir.Constant(_VEC, [1.0] * LANES))
        more = builder.fcmp_ordered(">", ratio, old)
        return builder.or_(_bits(builder, over), builder.shl(_bits(builder, more), _I64(LANES)))

    return types.intp(*_EVENT), codegen


@intrinsic
def compact(
    _typing: Any, _state: Any, _table: Any, _low: Any, _high: Any, _part: Any, _inverse: Any
) -> tuple[Any, Callable[..., Any]]:
    """Count the event and raise the compaction index in the lanes whose ratio r is over 1 (as `load_event`).

    M += 0.75 (ln r - M) where ln r > M. With E = exp(M) that is E' = E^(1/4) r^(3/4) = sqrt(sqrt(E r) r), which is
    larger than E just where r is: two correctly rounded square roots and no logarithm.
    """

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        state, table, low, high, part, inverse = args
        stress = _stress(builder, table, low, high, part)
        ratio = builder.fmul(stress, _load(builder, _vector(builder, inverse, _I64(0))))
        index = _vector(builder, state, _I64(2 * LANES))
        old = _load(builder, index)
        raised = _root(builder, builder.fmul(_root(builder, builder.fmul(old, ratio)), ratio))
        _store(builder, _larger(builder, raised, old), index)
        one, zero = ir.Constant(_VEC, [1.0] * LANES), ir.Constant(_VEC, [0.0] * LANES)
        count = _vector(builder, state, _I64(3 * LANES))
        event = builder.select(builder.fcmp_ordered(">", ratio, one), one, zero)
        _store(builder, builder.fadd(_load(builder, count), event), count)
        return _NOTHING

    return types.void(*_EVENT), codegen


@intrinsic
def keep_highest(
    _typing: Any, _pending: Any, _table: Any, _low: Any, _high: Any, _part: Any
) -> tuple[Any, Callable[..., Any]]:
    """Eight floats at `pending` = the higher of themselves and the stress (as `load_event`)."""

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        pending, table, low, high, part = args
        stress = _stress(builder, table, low, high, part)
        pointer = _vector(builder, pending, _I64(0))
        _store(builder, _larger(builder, stress, _load(builder, pointer)), pointer)
        return _NOTHING

    return types.void(*_EVENT[:5]), codegen


def _turned(builder: Any, rows: list[Any]) -> list[Any]:
    """Return eight vectors of eight, rows and columns swapped, by three rounds of exchanges."""
    for step in (1, 2, 4):
        for i in range(LANES):
            if i & step:
                continue
            one, two = rows[i], rows[i + step]
            low = [lane + LANES - step if lane & step else lane for lane in range(LANES)]
            high = [lane + LANES if lane & step else lane + step for lane in range(LANES)]
            kind = ir.VectorType(ir.IntType(32), LANES)
            rows[i] = builder.shuffle_vector(one, two, ir.Constant(kind, low))
            rows[i + step] = builder.shuffle_vector(one, two, ir.Constant(kind, high))
    return rows


def _spreader(item: Any) -> Any:
    """Make an intrinsic that writes eight cells' vectors to the planes of their depths."""

    @intrinsic
    def spread(
        _typing: Any, _cell: Any, _step: Any, _plane: Any, _apart: Any, _depths: Any
    ) -> tuple[Any, Callable[..., Any]]:
        def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            cell, step, plane, apart, depths = args
            rows = []
            for i in range(LANES):
                here = builder.add(cell, builder.mul(step, _I64(i)))
                rows.append(_load(builder, _vector(builder, here, _I64(0))))
            for d, row in enumerate(_turned(builder, rows)):
                with builder.if_then(builder.icmp_signed("<", _I64(d), depths)):
                    there = builder.add(plane, builder.mul(apart, _I64(d)))
                    if isinstance(item, ir.IntType):
                        wide = builder.fptosi(row, ir.VectorType(ir.IntType(32), LANES))
                        row = builder.trunc(wide, ir.VectorType(item, LANES))
                    kind = ir.VectorType(item, LANES)
                    builder.store(row, _at(builder, there, _I64(0), kind, item), align=2)
            return _NOTHING

        return types.void(types.intp, types.intp, types.intp, types.intp, types.intp), codegen

    return spread


#: Write eight floats of eight cells, `step` bytes apart from address `cell` on, to up to eight planes (`depths`) that
#: begin at `plane` and lie `apart` bytes apart: as they are, or as whole numbers below 65536.
spread_real = _spreader(_F32)
spread_count = _spreader(ir.IntType(16))


@intrinsic
def highest_of(_typing: Any, _values: Any, _weights: Any) -> tuple[Any, Callable[..., Any]]:
    """Return the largest of eight floats, each times its weight."""

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        values = builder.fmul(*(_load(builder, _vector(builder, base, _I64(0))) for base in args))
        for step in (4, 2, 1):
            order = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [(i + step) % LANES for i in range(LANES)])
            values = _larger(builder, values, builder.shuffle_vector(values, values, order))
        return builder.extract_element(values, ir.IntType(32)(0))

    return types.float32(types.intp, types.intp), codegen


@intrinsic
def strip_mask(
    _typing: Any, _lateral: Any, _across_col: Any, _across_row: Any, _half: Any
) -> tuple[Any, Callable[..., Any]]:
    """Which of the 4 x 4 sub-cell centres lie within `half` of a strip's middle: bit 4 i + j, row i, column j.

    `lateral` is the offset of the cell's centre from the middle line, `across_col` and `across_row` its change per
    cell to the right and down; all in one unit (cells).
    """

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        lateral, right, down, half = (_splat(builder, value, 16) for value in args)
        kind = ir.VectorType(_F32, 16)
        cols = ir.Constant(kind, [(k % 4) * 0.25 - 0.375 for k in range(16)])
        rows = ir.Constant(kind, [(k // 4) * 0.25 - 0.375 for k in range(16)])
        aside = builder.fadd(lateral, builder.fadd(builder.fmul(right, cols), builder.fmul(down, rows)))
        low = builder.fcmp_ordered(">=", aside, builder.fneg(half))
        return _bits(builder, builder.and_(low, builder.fcmp_ordered("<=", aside, half)), 16)

    return types.intp(types.float32, types.float32, types.float32, types.float32), codegen


@intrinsic
def bit_count(_typing: Any, _mask: Any) -> tuple[Any, Callable[..., Any]]:
    """Return the number of bits that are set."""

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.ctpop(args[0])

    return types.intp(types.intp), codegen


def _reader(kind: Any, item: Any) -> Any:
    """Make an intrinsic that reads item `index` at an address."""

    @intrinsic
    def read(_typing: Any, _base: Any, _index: Any) -> tuple[Any, Callable[..., Any]]:
        def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            value = builder.load(_at(builder, args[0], args[1], item, item))
            return builder.zext(value, _I64) if isinstance(item, ir.IntType) and item.width < 64 else value

        return kind(types.intp, types.intp), codegen

    return read


def _writer(kind: Any, item: Any) -> Any:
    """Make an intrinsic that writes item `index` at an address."""

    @intrinsic
    def write(_typing: Any, _base: Any, _index: Any, _value: Any) -> tuple[Any, Callable[..., Any]]:
        def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            base, index, value = args
            narrow = builder.trunc(value, item) if isinstance(item, ir.IntType) and item.width < 64 else value
            builder.store(narrow, _at(builder, base, index, item, item))
            return _NOTHING

        return types.void(types.intp, types.intp, kind), codegen

    return write


read_u8 = _reader(types.intp, ir.IntType(8))
read_u16 = _reader(types.intp, ir.IntType(16))
read_u32 = _reader(types.intp, ir.IntType(32))
read_i64 = _reader(types.intp, _I64)
read_f32 = _reader(types.float32, _F32)
read_f64 = _reader(types.float64, _F64)
write_u32 = _writer(types.intp, ir.IntType(32))
write_i64 = _writer(types.intp, _I64)
write_f32 = _writer(types.float32, _F32)
write_f64 = _writer(types.float64, _F64)
