"""Eight depths in one vector: small compiler intrinsics for the event loop.

Every operation here is a plain float32 add, multiply, compare, select or square root, each correctly rounded by
IEEE 754 and never fused, so the same event gives the same bits on one lane or eight, whatever the order of tiles.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

#: Depths in one vector; 9 to 16 depths take two.
LANES = 8

_F32 = ir.FloatType()
_VEC = ir.VectorType(_F32, LANES)
_I64 = ir.IntType(64)


def _splat(builder: Any, value: Any, count: int = LANES) -> Any:
    """Repeat a scalar in all lanes."""
    one = builder.insert_element(ir.Constant(ir.VectorType(_F32, count), ir.Undefined), value, ir.IntType(32)(0))
    return builder.shuffle_vector(one, one, ir.Constant(ir.VectorType(ir.IntType(32), count), [0] * count))


def _pointer(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    """Address of eight consecutive floats of a flat array."""
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), _VEC.as_pointer())


def _load(builder: Any, address: Any) -> Any:
    return builder.load(address, align=4)


def _store(builder: Any, value: Any, address: Any) -> None:
    builder.store(value, address, align=4)


def _larger(builder: Any, a: Any, b: Any) -> Any:
    return builder.select(builder.fcmp_ordered(">", a, b), a, b)


def _bits(builder: Any, lanes: Any, count: int = LANES) -> Any:
    """One bit per lane as an integer."""
    return builder.zext(builder.bitcast(lanes, ir.IntType(count)), _I64)


def _between(builder: Any, low: Any, high: Any, fraction: Any) -> Any:
    """Linear between two table rows."""
    return builder.fadd(low, builder.fmul(_splat(builder, fraction), builder.fsub(high, low)))


@intrinsic
def load_event(_typing: Any, state: Any, at: Any, table: Any, low: Any, high: Any, fraction: Any, inverse: Any, row: Any) -> Any:
    """Apply one event to eight depths of one cell; return bits 0-7 ratio over 1, bits 8-15 ratio over the old highest.

    `state[at:at+32]` holds highest stress | highest ratio | exp(M) | events over 1. The stress is linear between
    `table[low:low+8]` and `table[high:high+8]`; the ratio is stress times `inverse[row:row+8]` (1 / strength).
    exp(M) is left for `compact`, which only runs where bit 0-7 is set.
    """
    sig = types.int64(state, types.intp, table, types.intp, types.intp, types.float32, inverse, types.intp)

    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kinds = signature.args
        stress = _between(
            builder,
            _load(builder, _pointer(context, builder, kinds[2], args[2], args[3])),
            _load(builder, _pointer(context, builder, kinds[2], args[2], args[4])),
            args[5],
        )
        ratio = builder.fmul(stress, _load(builder, _pointer(context, builder, kinds[6], args[6], args[7])))
        top = _pointer(context, builder, kinds[0], args[0], args[1])
        _store(builder, _larger(builder, stress, _load(builder, top)), top)
        high = _pointer(context, builder, kinds[0], args[0], builder.add(args[1], _I64(LANES)))
        old = _load(builder, high)
        more = builder.fcmp_ordered(">", ratio, old)
        _store(builder, builder.select(more, ratio, old), high)
        over = builder.fcmp_ordered(">", ratio, ir.Constant(_VEC, [1.0] * LANES))
        return builder.or_(_bits(builder, over), builder.shl(_bits(builder, more), _I64(LANES)))

    return sig, codegen


@intrinsic
def compact(_typing: Any, state: Any, at: Any, table: Any, low: Any, high: Any, fraction: Any, inverse: Any, row: Any) -> Any:
    """Count the event and raise the compaction index in the lanes whose ratio r is over 1 (arguments as `load_event`).

    M += 0.75 (ln r - M) where ln r > M. With E = exp(M) that is E' = E^(1/4) r^(3/4) = sqrt(sqrt(E r) r) where r > E:
    two correctly rounded square roots and no logarithm.
    """
    sig = types.void(state, types.intp, table, types.intp, types.intp, types.float32, inverse, types.intp)

    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kinds = signature.args
        stress = _between(
            builder,
            _load(builder, _pointer(context, builder, kinds[2], args[2], args[3])),
            _load(builder, _pointer(context, builder, kinds[2], args[2], args[4])),
            args[5],
        )
        ratio = builder.fmul(stress, _load(builder, _pointer(context, builder, kinds[6], args[6], args[7])))
        root = cgutils.get_or_insert_function(builder.module, ir.FunctionType(_VEC, [_VEC]), "llvm.sqrt.v8f32")
        index = _pointer(context, builder, kinds[0], args[0], builder.add(args[1], _I64(2 * LANES)))
        old = _load(builder, index)
        inner = builder.call(root, [builder.fmul(old, ratio)])
        raised = builder.call(root, [builder.fmul(inner, ratio)])
        _store(builder, builder.select(builder.fcmp_ordered(">", ratio, old), raised, old), index)
        one = ir.Constant(_VEC, [1.0] * LANES)
        zero = ir.Constant(_VEC, [0.0] * LANES)
        count = _pointer(context, builder, kinds[0], args[0], builder.add(args[1], _I64(3 * LANES)))
        event = builder.select(builder.fcmp_ordered(">", ratio, one), one, zero)
        _store(builder, builder.fadd(_load(builder, count), event), count)
        return context.get_dummy_value()

    return sig, codegen


@intrinsic
def keep_highest(_typing: Any, pending: Any, at: Any, table: Any, low: Any, high: Any, fraction: Any) -> Any:
    """`pending[at:at+8]` = the higher of itself and the stress linear between two table rows."""
    sig = types.void(pending, types.intp, table, types.intp, types.intp, types.float32)

    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kinds = signature.args
        stress = _between(
            builder,
            _load(builder, _pointer(context, builder, kinds[2], args[2], args[3])),
            _load(builder, _pointer(context, builder, kinds[2], args[2], args[4])),
            args[5],
        )
        address = _pointer(context, builder, kinds[0], args[0], args[1])
        _store(builder, _larger(builder, stress, _load(builder, address)), address)
        return context.get_dummy_value()

    return sig, codegen


@intrinsic
def strip_mask(_typing: Any, lateral: Any, across_col: Any, across_row: Any, half: Any) -> Any:
    """Which of the 4 x 4 sub-cell centres lie within `half` of a strip's middle line: bit 4 i + j, row i, column j.

    `lateral` is the offset of the cell's centre from that line, `across_col` and `across_row` its change per cell to
    the right and down; all in one unit (cells).
    """
    sig = types.int64(types.float32, types.float32, types.float32, types.float32)

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        vec = ir.VectorType(_F32, 16)
        cols = ir.Constant(vec, [(k % 4) * 0.25 - 0.375 for k in range(16)])
        rows = ir.Constant(vec, [(k // 4) * 0.25 - 0.375 for k in range(16)])
        at = builder.fadd(
            _splat(builder, args[0], 16),
            builder.fadd(
                builder.fmul(_splat(builder, args[1], 16), cols), builder.fmul(_splat(builder, args[2], 16), rows)
            ),
        )
        half = _splat(builder, args[3], 16)
        inside = builder.and_(
            builder.fcmp_ordered("<=", at, half), builder.fcmp_ordered(">=", at, builder.fneg(half))
        )
        return _bits(builder, inside, 16)

    return sig, codegen


@intrinsic
def bit_count(_typing: Any, mask: Any) -> Any:
    """Number of bits that are set."""
    sig = types.int64(types.int64)

    def codegen(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.ctpop(args[0])

    return sig, codegen
