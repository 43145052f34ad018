"""Jets: a number together with its partial derivatives, carried along by the rules of differentiation.

Forward-mode differentiation (Griewank & Walther, Evaluating Derivatives, SIAM 2008, ch. 3). An equation written once
with `+ - * /`, comparisons and the helpers here and in `lanes` and `lane_math` works on floats, on lanes and on jets of
either. A variable gets its place by `seeded`; `part` reads the value (place 0) or a partial derivative back.

A compiled jet's type says which of its derivatives may be other than zero, so that none is computed that is not there:
the number of partials is nobody's constant. In plain Python, without a compiler, the class `Jet` does the same.
"""

from __future__ import annotations

import operator
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core.typeconv import Conversion
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, lower_cast, models, overload, register_model

from explorer.model.machine.lane_math import exponential, hyperbolic_tangent, logarithm, sine_cosine, square_root
from explorer.model.machine.lanes import LANES, MASK, LanesType, MaskType, least, most, where


class Jet:
    """A number with its partial derivatives, in plain Python: `partials` by place, absent ones zero."""

    __slots__ = ("partials", "value")

    def __init__(self, value: Any, partials: dict[int, Any]):
        self.value, self.partials = value, partials

    def _with(self, other: Any, value: Any, own: Any, others: Any) -> Jet:
        """A jet of `value` whose derivatives are this one's times `own` and the other's times `others`."""
        found = {place: partial * own for place, partial in self.partials.items()}
        for place, partial in getattr(other, "partials", {}).items():
            found[place] = found[place] + partial * others if place in found else partial * others
        return Jet(value, found)

    def __add__(self, other):
        return self._with(other, self.value + value_of(other), 1.0, 1.0)

    def __sub__(self, other):
        return self._with(other, self.value - value_of(other), 1.0, -1.0)

    def __rsub__(self, other):
        return self._with(None, other - self.value, -1.0, 0.0)

    def __mul__(self, other):
        return self._with(other, self.value * value_of(other), value_of(other), self.value)

    def __truediv__(self, other):
        per = 1.0 / value_of(other)
        quotient = self.value * per
        return self._with(other, quotient, per, -quotient * per)

    def __rtruediv__(self, other):
        per = 1.0 / self.value
        return self._with(None, other * per, -(other * per) * per, 0.0)

    def __neg__(self):
        return self._with(None, -self.value, -1.0, 0.0)

    def __lt__(self, other):
        return self.value < value_of(other)

    def __le__(self, other):
        return self.value <= value_of(other)

    def __gt__(self, other):
        return self.value > value_of(other)

    def __ge__(self, other):
        return self.value >= value_of(other)

    __radd__, __rmul__ = __add__, __mul__

    def __array_ufunc__(self, function, method, *inputs):
        """numpy's scalars and elementary functions meet jets here."""
        if function in _OPERATORS:
            first, second = (x if isinstance(x, Jet) else Jet(float(x), {}) for x in inputs)
            return _OPERATORS[function](first, second)
        if function in _FUNCTIONS:
            return self._with(None, *_FUNCTIONS[function](self.value), 0.0)
        return NotImplemented


_OPERATORS = {
    np.add: operator.add, np.subtract: operator.sub, np.multiply: operator.mul, np.divide: operator.truediv,
    np.less: operator.lt, np.less_equal: operator.le, np.greater: operator.gt, np.greater_equal: operator.ge,
}  # fmt: skip
_FUNCTIONS = {
    np.exp: lambda x: (np.exp(x), np.exp(x)),
    np.log: lambda x: (np.log(x), 1.0 / x),
    np.sqrt: lambda x: (np.sqrt(x), 0.5 / np.sqrt(x)),
    np.tanh: lambda x: (np.tanh(x), 1.0 - np.tanh(x) ** 2),
    np.sin: lambda x: (np.sin(x), np.cos(x)),
    np.cos: lambda x: (np.cos(x), -np.sin(x)),
}
"""Value and slope of the elementary functions, in plain Python."""


def value_of(number: Any) -> Any:
    """A jet's value, or the number itself; for plain Python."""
    return number.value if isinstance(number, Jet) else number


def seeded(value, place):
    """A jet of a variable: its derivative by itself, at a literal `place` from 1 on, is one."""
    return Jet(value, {place: 1.0})


def part(jet, place):
    """A jet's value (`place` 0) or partial derivative at a literal place, zero where it has none there."""
    if not isinstance(jet, Jet):
        return jet if place == 0 else 0.0 * jet
    return jet.value if place == 0 else jet.partials.get(place, 0.0 * jet.value)


def without(jet, place):
    """A jet without its derivative at a literal place. In plain Python it may have come out of a choice as a number."""
    if not isinstance(jet, Jet):
        return jet
    return Jet(jet.value, {k: partial for k, partial in jet.partials.items() if k != place})


def chained(jet, value, slope):
    """The jet of a function of a jet, from the function's value and slope at it."""
    if not isinstance(jet, Jet):
        return value
    return jet._with(None, value, slope, 0.0)


class JetType(types.Type):
    """A number of type `base` (a float, or `LANES`) with derivatives at `places`, in order."""

    def __init__(self, base: types.Type, places: tuple[int, ...]):
        self.base, self.places = base, places
        super().__init__(name=f"Jet({base}, {places})")

    def unify(self, typingctx, other):
        """The type that holds either jet."""
        if isinstance(other, JetType) and other.base == self.base:
            return _jet_of(self.base, self.places, other.places)
        return None

    def can_convert_to(self, typingctx, other):
        """A jet can be held with more derivatives than it has."""
        wider = isinstance(other, JetType) and other.base == self.base and set(self.places) <= set(other.places)
        return Conversion.safe if wider else None


def _jet_of(base, *groups):
    return JetType(base, tuple(sorted(set().union(*groups))))


@register_model(JetType)
class _JetModel(models.PrimitiveModel):
    def __init__(self, manager, fe_type):
        number = manager.lookup(fe_type.base).get_value_type()
        super().__init__(manager, fe_type, ir.LiteralStructType([number] * (1 + len(fe_type.places))))


def _taken(builder, kind, jet):
    """{place: number} of a compiled jet, its value at place 0; of a plain number just that."""
    if not isinstance(kind, JetType):
        return {0: jet}
    return {place: builder.extract_value(jet, k) for k, place in enumerate((0, *kind.places))}


def _packed(context, builder, kind, numbers):
    """A compiled jet from {place: number}; absent ones are zero."""
    number = context.get_value_type(kind.base)
    jet = ir.Constant(ir.LiteralStructType([number] * (1 + len(kind.places))), ir.Undefined)
    for k, place in enumerate((0, *kind.places)):
        jet = builder.insert_value(jet, numbers.get(place, ir.Constant(number, None)), k)
    return jet


def _negative(builder, number):
    minus = -0.0 if isinstance(number.type, ir.DoubleType) else [-0.0] * number.type.count
    return builder.fsub(ir.Constant(number.type, minus), number)


def _one(number):
    return ir.Constant(number, 1.0 if isinstance(number, ir.DoubleType) else [1.0] * number.count)


def _sum(builder, x, y):
    return {k: builder.fadd(x[k], y[k]) if k in x and k in y else x.get(k, y.get(k)) for k in {**x, **y}}


def _difference(builder, x, y):
    lone = {k: _negative(builder, v) for k, v in y.items() if k not in x}
    return {k: builder.fsub(x[k], y[k]) if k in y else x[k] for k in x} | lone


def _scaled(builder, jet, by):
    """The derivatives of a jet times a number."""
    return {k: builder.fmul(v, by) for k, v in jet.items() if k}


def _product(builder, x, y):
    derivatives = _sum(builder, _scaled(builder, x, y[0]), _scaled(builder, y, x[0]))
    return {0: builder.fmul(x[0], y[0])} | derivatives


def _quotient(builder, x, y):
    per = builder.fdiv(_one(y[0].type), y[0])
    value = builder.fmul(x[0], per)
    top = {k: v for k, v in x.items() if k}
    derivatives = _scaled(builder, {0: value} | _difference(builder, top, _scaled(builder, y, value)), per)
    return {0: value} | derivatives


def _is_plain(kind):
    return isinstance(kind, (LanesType, types.Float, types.Integer))


def _arguments(kinds):
    """The kinds of numbers of which at least one is a jet, plain ones cast to the jets' base; None for others."""
    jets = [kind for kind in kinds if isinstance(kind, JetType)]
    if not jets or not all(isinstance(kind, JetType) or _is_plain(kind) for kind in kinds):
        return None
    base = jets[0].base
    return base, [kind if isinstance(kind, JetType) else base for kind in kinds]


def _places(kinds):
    return [kind.places if isinstance(kind, JetType) else () for kind in kinds]


_PAIRS = [
    (JetType, JetType),
    (JetType, LanesType),
    (LanesType, JetType),
    (JetType, types.Float),
    (types.Float, JetType),
]


def _bind(function, emit, fresh):
    """Teach numba an operation of two numbers of which one is a jet."""

    class Template(AbstractTemplate):
        key = function

        def generic(self, args, kws):
            found = len(args) == 2 and _arguments(args)
            return found and signature(_jet_of(found[0], *_places(found[1])), *found[1]) or None

    if fresh:
        infer_global(function, types.Function(Template))
    else:
        infer_global(function)(Template)

    def lower(context, builder, sig, args):
        numbers = [_taken(builder, kind, arg) for kind, arg in zip(sig.args, args, strict=True)]
        return _packed(context, builder, sig.return_type, emit(builder, *numbers))

    for pair in _PAIRS:
        lower_builtin(function, *pair)(lower)


for _plain, _in_place, _emit in (
    (operator.add, operator.iadd, _sum),
    (operator.sub, operator.isub, _difference),
    (operator.mul, operator.imul, _product),
    (operator.truediv, operator.itruediv, _quotient),
):
    _bind(_plain, _emit, True)
    _bind(_in_place, _emit, True)


class _Negated(AbstractTemplate):
    key = operator.neg

    def generic(self, args, kws):
        return signature(args[0], args[0]) if isinstance(args[0], JetType) else None


infer_global(operator.neg, types.Function(_Negated))


@lower_builtin(operator.neg, JetType)
def _lower_negated(context, builder, sig, args):
    numbers = _taken(builder, sig.args[0], args[0])
    return _packed(context, builder, sig.return_type, {k: _negative(builder, v) for k, v in numbers.items()})


def _truth(base):
    return MASK if base == LANES else types.boolean


def _bind_comparison(function, sign):
    class Template(AbstractTemplate):
        key = function

        def generic(self, args, kws):
            found = _arguments(args)
            return found and signature(_truth(found[0]), *found[1])

    infer_global(function, types.Function(Template))

    def lower(context, builder, sig, args):
        x, y = (_taken(builder, kind, arg)[0] for kind, arg in zip(sig.args, args, strict=True))
        bits = builder.fcmp_ordered(sign, x, y)
        return builder.sext(bits, context.get_value_type(MASK)) if sig.return_type == MASK else bits

    for pair in _PAIRS:
        lower_builtin(function, *pair)(lower)


for _comparison, _sign in ((operator.lt, "<"), (operator.le, "<="), (operator.gt, ">"), (operator.ge, ">=")):
    _bind_comparison(_comparison, _sign)


def _chosen(context, builder, sig, bits, first, second):
    """A jet from two, or from a jet and a number, by the bits of a condition."""
    kinds = sig.args[-2:]
    x, y = (_taken(builder, kind, arg) for kind, arg in zip(kinds, (first, second), strict=True))
    zero = ir.Constant(x[0].type, None)
    chosen = {k: builder.select(bits, x.get(k, zero), y.get(k, zero)) for k in {**x, **y}}
    return _packed(context, builder, sig.return_type, chosen)


@infer_global(where)
class _Where(AbstractTemplate):
    def generic(self, args, kws):
        found = _arguments(args[1:])
        return found and signature(_jet_of(found[0], *_places(found[1])), _truth(found[0]), *found[1])


def _lower_where(context, builder, sig, args):
    bits = args[0]
    if sig.args[0] == MASK:
        bits = builder.icmp_signed("!=", bits, ir.Constant(bits.type, None))
    return _chosen(context, builder, sig, bits, *args[1:])


for _pair in _PAIRS:
    lower_builtin(where, MaskType, *_pair)(_lower_where)
    lower_builtin(where, types.Boolean, *_pair)(_lower_where)


def _bind_extreme(function, sign):
    @infer_global(function)
    class _Template(AbstractTemplate):
        def generic(self, args, kws):
            found = _arguments(args)
            return found and signature(_jet_of(found[0], *_places(found[1])), *found[1])

    def lower(context, builder, sig, args):
        x, y = (_taken(builder, kind, arg)[0] for kind, arg in zip(sig.args, args, strict=True))
        second_first = sig.return_type(sig.args[1], sig.args[0])
        return _chosen(context, builder, second_first, builder.fcmp_ordered(sign, y, x), args[1], args[0])

    for pair in _PAIRS:
        lower_builtin(function, *pair)(lower)


_bind_extreme(least, "<")
_bind_extreme(most, ">")


@lower_cast(JetType, JetType)
def _widened(context, builder, fromty, toty, value):
    return _packed(context, builder, toty, _taken(builder, fromty, value))


@intrinsic(prefer_literal=True)
def _seeded(typingctx, value, place):
    if not isinstance(place, types.Literal):
        return None
    base = value if value == LANES else types.float64
    kind = JetType(base, (place.literal_value,))

    def codegen(context, builder, sig, args):
        return _packed(context, builder, kind, {0: args[0], place.literal_value: _one(args[0].type)})

    return kind(base, place), codegen


@intrinsic(prefer_literal=True)
def _part(typingctx, jet, place):
    if not isinstance(place, types.Literal):
        return None
    base = jet.base if isinstance(jet, JetType) else jet

    def codegen(context, builder, sig, args):
        found = _taken(builder, sig.args[0], args[0])
        return found.get(place.literal_value, ir.Constant(context.get_value_type(base), None))

    return base(jet, place), codegen


@intrinsic(prefer_literal=True)
def _without(typingctx, jet, place):
    if not isinstance(place, types.Literal) or not isinstance(jet, JetType):
        return None
    kind = JetType(jet.base, tuple(k for k in jet.places if k != place.literal_value))

    def codegen(context, builder, sig, args):
        return _packed(context, builder, kind, _taken(builder, jet, args[0]))

    return kind(jet, place), codegen


@intrinsic
def _chained(typingctx, jet, value, slope):
    if not isinstance(jet, JetType):
        return value(jet, value, slope), lambda context, builder, sig, args: args[1]

    def codegen(context, builder, sig, args):
        numbers = {0: args[1]} | _scaled(builder, _taken(builder, jet, args[0]), args[2])
        return _packed(context, builder, jet, numbers)

    return jet(jet, jet.base, jet.base), codegen


overload(seeded, prefer_literal=True)(lambda value, place: lambda value, place: _seeded(value, place))
overload(part, prefer_literal=True)(lambda jet, place: lambda jet, place: _part(jet, place))
overload(without, prefer_literal=True)(lambda jet, place: lambda jet, place: _without(jet, place))
overload(chained)(lambda jet, value, slope: lambda jet, value, slope: _chained(jet, value, slope))


def _bind_function(function, on_jets):
    @overload(function)
    def choose(x):
        return on_jets if isinstance(x, JetType) else None


def _exponential(x):
    value = exponential(_part(x, 0))
    return _chained(x, value, value)


def _logarithm(x):
    value = _part(x, 0)
    return _chained(x, logarithm(value), 1.0 / value)


def _square_root(x):
    root = np.sqrt(_part(x, 0))
    return _chained(x, root, 0.5 / root)


def _hyperbolic_tangent(x):
    value = hyperbolic_tangent(_part(x, 0))
    return _chained(x, value, 1.0 - value * value)


def _sine_cosine(x):
    sine, cosine = sine_cosine(_part(x, 0))
    return _chained(x, sine, cosine), _chained(x, cosine, -sine)


_bind_function(exponential, _exponential)
_bind_function(logarithm, _logarithm)
_bind_function(square_root, _square_root)
_bind_function(hyperbolic_tangent, _hyperbolic_tangent)
_bind_function(sine_cosine, _sine_cosine)
