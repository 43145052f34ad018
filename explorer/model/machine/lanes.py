"""Lanes: `WIDTH` numbers side by side that compiled code computes with as with one.

A function written with arithmetic, comparisons and the helpers here (`where`, `any_of`, `least` ...) works on floats
and on lanes alike: compiled for floats it is the plain form, compiled for lanes it does `WIDTH` setups at once in the
processor's vector registers. Comparisons of lanes give a mask; masks combine by `&`, `|` and `~`. Every lane's result
depends on that lane's numbers only, bit for bit: no operation here looks across lanes but `any_of`, which may only
decide whether work is skipped whose result no lane would take.
"""

from __future__ import annotations

import operator
import os

import numpy as np
from llvmlite import binding, ir
from numba import types
from numba.core import cgutils
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, lower_cast, models, overload, register_model

WIDTH = int(os.environ.get("SETUP_SPACE_LANES", 8 if binding.get_host_cpu_features().get("avx512f") else 4))
"""Setups done at once: what a vector register holds, or as many as the environment variable says (1, 2, 4 or 8). The
answers are the same bytes at each width, for no product is fused with the sum it goes into."""

_DOUBLES = ir.VectorType(ir.DoubleType(), WIDTH)
_WORDS = ir.VectorType(ir.IntType(64), WIDTH)
_BITS = ir.VectorType(ir.IntType(1), WIDTH)
_I32, _I64 = ir.IntType(32), ir.IntType(64)


class LanesType(types.Type):
    """`WIDTH` floats."""

    def __init__(self) -> None:
        super().__init__(name=f"Lanes{WIDTH}")


class MaskType(types.Type):
    """`WIDTH` truths, kept as words of all ones or zeros."""

    def __init__(self) -> None:
        super().__init__(name=f"Mask{WIDTH}")


LANES, MASK = LanesType(), MaskType()


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager, fe_type):
        super().__init__(manager, fe_type, _DOUBLES)


@register_model(MaskType)
class _MaskModel(models.PrimitiveModel):
    def __init__(self, manager, fe_type):
        super().__init__(manager, fe_type, _WORDS)


def _spread(builder, value):
    """A vector with `value` in every lane."""
    kind = ir.VectorType(value.type, WIDTH)
    one = builder.insert_element(ir.Constant(kind, ir.Undefined), value, _I32(0))
    return builder.shuffle_vector(one, ir.Constant(kind, ir.Undefined), ir.Constant(ir.VectorType(_I32, WIDTH), None))


@lower_cast(types.Integer, LanesType)
@lower_cast(types.Float, LanesType)
def _float_to_lanes(context, builder, fromty, toty, value):
    return _spread(builder, context.cast(builder, value, fromty, types.float64))


@lower_cast(types.Boolean, MaskType)
def _bool_to_mask(context, builder, fromty, toty, value):
    return _spread(builder, builder.sext(context.cast(builder, value, fromty, types.boolean), _I64))


def _is_number(kind):
    return isinstance(kind, (LanesType, types.Float, types.Integer))


def _is_truth(kind):
    return isinstance(kind, (MaskType, types.Boolean))


def _bind(function, arity, result, emit, takes):
    """Teach numba an operation on lanes: at least one argument is of the vector kind, the others are spread."""
    kind = LANES if takes is _is_number else MASK

    class Template(AbstractTemplate):
        key = function

        def generic(self, args, kws):
            if not kws and len(args) == arity and kind in args and all(takes(a) for a in args):
                return signature(result, *(kind,) * arity)
            return None

    infer_global(function, types.Function(Template))

    def lower(context, builder, sig, args):
        return emit(builder, *args)

    lower_builtin(function, *(type(kind),) * arity)(lower)


def _compare(sign):
    unordered = sign == "!="

    def emit(builder, a, b):
        bits = builder.fcmp_unordered(sign, a, b) if unordered else builder.fcmp_ordered(sign, a, b)
        return builder.sext(bits, _WORDS)

    return emit


def _call(name, arity):
    def emit(builder, *args):
        kind = ir.FunctionType(_DOUBLES, [_DOUBLES] * arity)
        return builder.call(cgutils.get_or_insert_function(builder.module, kind, f"llvm.{name}.v{WIDTH}f64"), args)

    return emit


for _plain, _in_place, _emit in (
    (operator.add, operator.iadd, lambda b, x, y: b.fadd(x, y)),
    (operator.sub, operator.isub, lambda b, x, y: b.fsub(x, y)),
    (operator.mul, operator.imul, lambda b, x, y: b.fmul(x, y)),
    (operator.truediv, operator.itruediv, lambda b, x, y: b.fdiv(x, y)),
):
    _bind(_plain, 2, LANES, _emit, _is_number)
    _bind(_in_place, 2, LANES, _emit, _is_number)
_bind(operator.neg, 1, LANES, lambda b, x: b.fsub(ir.Constant(_DOUBLES, [-0.0] * WIDTH), x), _is_number)
_bind(abs, 1, LANES, _call("fabs", 1), _is_number)
_bind(np.sqrt, 1, LANES, _call("sqrt", 1), _is_number)
_bind(np.floor, 1, LANES, _call("floor", 1), _is_number)
for _function, _sign in (
    (operator.lt, "<"),
    (operator.le, "<="),
    (operator.gt, ">"),
    (operator.ge, ">="),
    (operator.eq, "=="),
    (operator.ne, "!="),
):
    _bind(_function, 2, MASK, _compare(_sign), _is_number)
_bind(operator.and_, 2, MASK, lambda b, x, y: b.and_(x, y), _is_truth)
_bind(operator.or_, 2, MASK, lambda b, x, y: b.or_(x, y), _is_truth)


def _to_bits(builder, mask):
    return builder.icmp_signed("!=", mask, ir.Constant(_WORDS, None))


def where(condition, first, second):
    """`first` where the condition holds, else `second`: numbers, truths, or trees of tuples of such, of one kind."""
    return first if condition else second


def any_of(condition):
    """True where the condition holds in any lane."""
    return condition


def negated(condition):
    """The opposite of a truth or a mask."""
    return not condition


def least(first, second):
    """The smaller of two; the first where they do not compare."""
    return min(first, second)


def most(first, second):
    """The larger of two; the first where they do not compare."""
    return max(first, second)


@infer_global(where)
class _Where(AbstractTemplate):
    def generic(self, args, kws):
        condition, first, second = args
        masked = isinstance(condition, MaskType)
        if _is_number(first) and _is_number(second):
            kind = LANES if masked or LANES in (first, second) else types.float64
        elif _is_truth(first) and _is_truth(second):
            kind = MASK if masked or MASK in (first, second) else types.boolean
        else:
            kind = first if first == second and isinstance(first, types.BaseTuple) else None
        return kind and signature(kind, MASK if masked else types.boolean, kind, kind)


@lower_builtin(where, MaskType, types.Any, types.Any)
@lower_builtin(where, types.Boolean, types.Any, types.Any)
def _lower_where(context, builder, sig, args):
    condition, first, second = args
    bits = _to_bits(builder, condition) if sig.args[0] == MASK else condition

    def pick(kind, a, b):
        if isinstance(kind, types.BaseTuple):
            pairs = [(k, builder.extract_value(a, i), builder.extract_value(b, i)) for i, k in enumerate(kind)]
            return context.make_tuple(builder, kind, [pick(*pair) for pair in pairs])
        if isinstance(a.type, ir.LiteralStructType):  # a jet
            picked = ir.Constant(a.type, ir.Undefined)
            for i in range(len(a.type)):
                chosen = builder.select(bits, builder.extract_value(a, i), builder.extract_value(b, i))
                picked = builder.insert_value(picked, chosen, i)
            return picked
        return builder.select(bits, a, b)

    return pick(sig.return_type, first, second)


@infer_global(any_of)
class _AnyOf(AbstractTemplate):
    def generic(self, args, kws):
        return signature(types.boolean, MASK if isinstance(args[0], MaskType) else types.boolean)


@infer_global(negated)
class _Negated(AbstractTemplate):
    def generic(self, args, kws):
        kind = MASK if isinstance(args[0], MaskType) else types.boolean
        return signature(kind, kind)


@lower_builtin(any_of, MaskType)
def _any_lane(context, builder, sig, args):
    packed = builder.bitcast(_to_bits(builder, args[0]), ir.IntType(WIDTH))
    return builder.icmp_unsigned("!=", packed, ir.Constant(ir.IntType(WIDTH), 0))


@lower_builtin(any_of, types.Boolean)
def _any_of_one(context, builder, sig, args):
    return args[0]


@lower_builtin(negated, MaskType)
@lower_builtin(negated, types.Boolean)
def _lower_negated(context, builder, sig, args):
    return builder.not_(args[0])


def _bind_extreme(function, sign):
    class Template(AbstractTemplate):
        def generic(self, args, kws):
            kind = LANES if LANES in args else types.float64
            return signature(kind, kind, kind) if all(_is_number(arg) for arg in args) else None

    infer_global(function)(Template)

    def lower(context, builder, sig, args):
        first, second = args
        return builder.select(builder.fcmp_ordered(sign, second, first), second, first)

    lower_builtin(function, LanesType, LanesType)(lower)
    lower_builtin(function, types.Float, types.Float)(lower)


_bind_extreme(least, "<")
_bind_extreme(most, ">")


def _tree_of(kind, leaf):
    """The type of a tree of tuples with its leaves' types changed by `leaf`."""
    if isinstance(kind, types.BaseTuple):
        return types.BaseTuple.from_types([_tree_of(k, leaf) for k in kind], getattr(kind, "instance_class", None))
    return leaf(kind)


def _leaves(builder, kind, value):
    """(type, value) of each leaf of a tree."""
    if isinstance(kind, types.BaseTuple):
        for i, k in enumerate(kind):
            yield from _leaves(builder, k, builder.extract_value(value, i))
    else:
        yield kind, value


def _build(context, builder, kind, read):
    """A tree whose leaves, counted through, come from `read(number, type)`."""
    count = iter(range(10**6))

    def part(kind):
        if isinstance(kind, types.BaseTuple):
            return context.make_tuple(builder, kind, [part(k) for k in kind])
        return read(next(count), kind)

    return part(kind)


def _data(context, builder, kind, array):
    return context.make_array(kind)(context, builder, array).data


@intrinsic
def put_lane(typingctx, work, lane, tree):
    """Write the floats and truths of a tree of tuples into one lane of the flat array `work`, truths as 0 and 1."""

    def codegen(context, builder, sig, args):
        base = builder.gep(_data(context, builder, sig.args[0], args[0]), [args[1]])
        for k, (kind, leaf) in enumerate(_leaves(builder, sig.args[2], args[2])):
            value = builder.uitofp(leaf, ir.DoubleType()) if kind == types.boolean else leaf
            builder.store(value, builder.gep(base, [_I64(k * WIDTH)]))
        return context.get_dummy_value()

    return types.void(work, types.intp, tree), codegen


@intrinsic
def get_lane(typingctx, work, lane, example):
    """One lane of what `put_lane` or `put_lanes` has written, as floats and truths; `example` has the tree's shape."""
    shape = _tree_of(example, lambda kind: types.boolean if _is_truth(kind) else types.float64)

    def codegen(context, builder, sig, args):
        base = builder.gep(_data(context, builder, sig.args[0], args[0]), [args[1]])

        def read(k, kind):
            value = builder.load(builder.gep(base, [_I64(k * WIDTH)]))
            if kind == types.boolean:
                return builder.fcmp_unordered("!=", value, ir.Constant(value.type, 0.0))
            return value

        return _build(context, builder, shape, read)

    return shape(work, types.intp, example), codegen


@intrinsic
def get_lanes(typingctx, work, example):
    """The tree of lanes and masks that `put_lane` has filled lane by lane; `example` is any tree of that shape."""
    shape = _tree_of(example, lambda kind: MASK if _is_truth(kind) else LANES)

    def codegen(context, builder, sig, args):
        base = _data(context, builder, sig.args[0], args[0])

        def read(k, kind):
            place = builder.gep(base, [_I64(k * WIDTH)])
            value = builder.load(builder.bitcast(place, _DOUBLES.as_pointer()), align=8)
            if kind == MASK:
                return builder.sext(builder.fcmp_unordered("!=", value, ir.Constant(_DOUBLES, None)), _WORDS)
            return value

        return _build(context, builder, shape, read)

    return shape(work, example), codegen


@intrinsic
def put_lanes(typingctx, work, tree):
    """Write a tree of lanes, masks and floats (alike in every lane) into the flat array `work`, truths as 0 and 1."""

    def codegen(context, builder, sig, args):
        base = _data(context, builder, sig.args[0], args[0])
        for k, (kind, leaf) in enumerate(_leaves(builder, sig.args[1], args[1])):
            value = builder.uitofp(_to_bits(builder, leaf), _DOUBLES) if kind == MASK else leaf
            value = _spread(builder, leaf) if kind == types.float64 else value
            place = builder.gep(base, [_I64(k * WIDTH)])
            builder.store(value, builder.bitcast(place, _DOUBLES.as_pointer()), align=8)
        return context.get_dummy_value()

    return types.void(work, tree), codegen


def value_at(values, index):
    """Number `index` of a row of numbers; lanes from rows of `WIDTH` numbers side by side, (numbers, WIDTH)."""
    return values[index]


def put_at(values, index, value):
    """Write number `index` of a row of numbers, or lanes into rows of `WIDTH` numbers side by side."""
    values[index] = value


def _row(context, builder, kind, array, index):
    place = builder.mul(index, _I64(WIDTH))
    return builder.bitcast(builder.gep(_data(context, builder, kind, array), [place]), _DOUBLES.as_pointer())


@intrinsic
def _lanes_at(typingctx, values, index):
    def codegen(context, builder, sig, args):
        return builder.load(_row(context, builder, sig.args[0], *args), align=8)

    return LANES(values, types.intp), codegen


@intrinsic
def _put_lanes_at(typingctx, values, index, value):
    def codegen(context, builder, sig, args):
        builder.store(args[2], _row(context, builder, sig.args[0], *args[:2]), align=8)
        return context.get_dummy_value()

    return types.void(values, types.intp, LANES), codegen


@overload(value_at)
def _value_at(values, index):
    if values.ndim == 2:
        return lambda values, index: _lanes_at(values, index)
    return lambda values, index: values[index]


@overload(put_at)
def _put_at(values, index, value):
    if values.ndim == 2:
        return lambda values, index, value: _put_lanes_at(values, index, value)

    def plain(values, index, value):
        values[index] = value

    return plain
