"""Elementary functions for floats and lanes, to a rounding or two, with the same bytes on either and on any processor.

Argument reduction and polynomials, for lanes know arithmetic only and a library's last digit depends on the processor
(after Cody & Waite, Software Manual for the Elementary Functions, 1980; the logarithm's coefficients are
those of Sun's fdlibm, `e_log.c`, the arctangent's those of Moshier's Cephes, `atan.c`).
"""

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

from explorer.model.machine.compiled import inner
from explorer.model.machine.lanes import LANES, WIDTH, LanesType, where

_DOUBLES = ir.VectorType(ir.DoubleType(), WIDTH)
_MANTISSA, _ONE, _TWO_52 = 0x000FFFFFFFFFFFFF, 0x3FF0000000000000, 0x4330000000000000
_MAGIC = 6755399441055744.0
"""1.5 * 2^52: added to a small whole number it leaves that number in the low bits."""
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10


def _kinds(number):
    """(type, type of its bits, maker of constants) of a float or lanes in the compiler's language."""
    if isinstance(number, ir.VectorType):
        words = ir.VectorType(ir.IntType(64), number.count)
        return number, words, lambda kind, value: ir.Constant(kind, [value] * number.count)
    return number, ir.IntType(64), ir.Constant


@intrinsic
def _power_of_two(typingctx, whole):
    """2^k for whole k."""

    def codegen(context, builder, sig, args):
        doubles, words, fill = _kinds(args[0].type)
        shifted = builder.fadd(args[0], fill(doubles, _MAGIC))
        exponent = builder.add(builder.bitcast(shifted, words), fill(words, 1023))
        return builder.bitcast(builder.shl(exponent, fill(words, 52)), doubles)

    return whole(whole), codegen


@intrinsic
def _exponent_of(typingctx, value):
    """The biased exponent of positive numbers, as numbers of their kind."""

    def codegen(context, builder, sig, args):
        doubles, words, fill = _kinds(args[0].type)
        bits = builder.lshr(builder.bitcast(args[0], words), fill(words, 52))
        return builder.bitcast(builder.or_(bits, fill(words, _TWO_52)), doubles)

    return value(value), codegen


@intrinsic
def _mantissa_of(typingctx, value):
    """The mantissa of positive numbers, from 1 to 2."""

    def codegen(context, builder, sig, args):
        doubles, words, fill = _kinds(args[0].type)
        bits = builder.and_(builder.bitcast(args[0], words), fill(words, _MANTISSA))
        return builder.bitcast(builder.or_(bits, fill(words, _ONE)), doubles)

    return value(value), codegen


@inner
def _exp(x):
    x = where(x > -700.0, x, -700.0)
    x = where(x < 700.0, x, 700.0)
    k = np.floor(x * 1.4426950408889634 + 0.5)
    r = (x - k * _LN2_HIGH) - k * _LN2_LOW
    # Estrin's scheme: a chain of products four long instead of twelve
    r2 = r * r
    r4 = r2 * r2
    low = (0.5 + r * (1.0 / 6.0)) + r2 * (1.0 / 24.0 + r * (1.0 / 120.0))
    middle = (1.0 / 720.0 + r * (1.0 / 5040.0)) + r2 * (1.0 / 40320.0 + r * (1.0 / 362880.0))
    high = (1.0 / 3628800.0 + r * (1.0 / 39916800.0)) + r2 * (1.0 / 479001600.0 + r * (1.0 / 6227020800.0))
    return (1.0 + (r + r2 * (low + r4 * (middle + r4 * high)))) * _power_of_two(k)


@inner
def _log(x):
    k = _exponent_of(x) - (4503599627370496.0 + 1023.0)
    m = _mantissa_of(x)
    upper = m > 1.4142135623730951
    k = where(upper, k + 1.0, k)
    f = where(upper, 0.5 * m, m) - 1.0
    s = f / (2.0 + f)
    z = s * s
    w = z * z
    even = w * (3.999999999940941908e-01 + w * (2.222219843214978396e-01 + w * 1.531383769920937332e-01))
    odd = 1.818357216161805012e-01 + w * 1.479819860511658591e-01
    odd = 6.666666666666735130e-01 + w * (2.857142874366239149e-01 + w * odd)
    r = even + z * odd
    half = 0.5 * f * f
    return k * _LN2_HIGH - ((half - (s * (half + r) + k * _LN2_LOW)) - f)


@inner
def _sine_cosine(x):
    z = x * x
    s = -1.0 / 121645100408832000.0
    s = s * z + 1.0 / 355687428096000.0
    s = s * z - 1.0 / 1307674368000.0
    s = s * z + 1.0 / 6227020800.0
    s = s * z - 1.0 / 39916800.0
    s = s * z + 1.0 / 362880.0
    s = s * z - 1.0 / 5040.0
    s = s * z + 1.0 / 120.0
    s = s * z - 1.0 / 6.0
    c = -1.0 / 6402373705728000.0
    c = c * z + 1.0 / 20922789888000.0
    c = c * z - 1.0 / 87178291200.0
    c = c * z + 1.0 / 479001600.0
    c = c * z - 1.0 / 3628800.0
    c = c * z + 1.0 / 40320.0
    c = c * z - 1.0 / 720.0
    c = c * z + 1.0 / 24.0
    c = c * z - 0.5
    return x + x * z * s, 1.0 + z * c


@inner
def _arctan(x):
    size = abs(x)
    far, near = size > 2.414213562373095, size <= 0.66
    r = where(far, -1.0, where(near, size, size - 1.0)) / where(far, size, where(near, 1.0, size + 1.0))
    z = r * r
    p = -8.750608600031904122785e-1
    p = p * z - 1.615753718733365076637e1
    p = p * z - 7.500855792314704667340e1
    p = p * z - 1.228866684490136173410e2
    p = p * z - 6.485021904942025371773e1
    q = z + 2.485846490142306297962e1
    q = q * z + 1.650270098316988542046e2
    q = q * z + 4.328810604912902668951e2
    q = q * z + 4.853903996359136964868e2
    q = q * z + 1.945506571482613964425e2
    low = where(far, 6.123233995736765886130e-17, where(near, 0.0, 3.061616997868382943065e-17))
    angle = where(far, 1.5707963267948966, where(near, 0.0, 0.7853981633974483)) + ((r * z * p / q + low) + r)
    return where(x < 0.0, -angle, angle)


@inner
def _tanh(x):
    e = _exp(-2.0 * abs(x))
    size = (1.0 - e) / (1.0 + e)
    return where(x < 0.0, -size, size)


def exponential(x):
    """e^x, held to the range of +-700."""
    return np.exp(x)


def logarithm(x):
    """Natural logarithm of numbers above zero (not of subnormal ones; others give what nobody may take)."""
    return np.log(x)


def sine_cosine(x):
    """(sin x, cos x) of a roll angle by series, to a rounding up to 1 rad and 1e-13 up to 1.6 rad."""
    return np.sin(x), np.cos(x)


def hyperbolic_tangent(x):
    """tanh x, to a rounding of 1, so relatively less of small ones."""
    return np.tanh(x)


def square_root(x):
    """The square root of a number not below zero."""
    return np.sqrt(x)


def arctangent(x):
    """arctan x. [rad]"""
    return np.arctan(x)


@inner
def arcsine(x):
    """arcsin x, `arctan(x / sqrt(1 - x^2))`. [rad]"""
    return arctangent(x / np.sqrt((1.0 - x) * (1.0 + x)))


@inner
def tangent(x):
    """tan x, as good as `sine_cosine`."""
    sine, cosine = sine_cosine(x)
    return sine / cosine


def _bind(function, implementation):
    """The compiled form of a function of a float or of lanes."""

    @overload(function)
    def choose(x):
        return implementation if isinstance(x, (LanesType, types.Float)) else None


_bind(exponential, lambda x: _exp(x))
_bind(logarithm, lambda x: _log(x))
_bind(sine_cosine, lambda x: _sine_cosine(x))
_bind(arctangent, lambda x: _arctan(x))
_bind(hyperbolic_tangent, lambda x: _tanh(x))
_bind(square_root, lambda x: np.sqrt(x))


@intrinsic
def _gather(typingctx, values, place):
    """Four neighbours of a flat array from a place in each lane."""
    four = types.UniTuple(LANES, 4)

    def codegen(context, builder, sig, args):
        data = context.make_array(sig.args[0])(context, builder, args[0]).data
        columns = [ir.Constant(_DOUBLES, ir.Undefined)] * 4
        for lane in range(WIDTH):
            here = ir.Constant(ir.IntType(32), lane)
            start = builder.fptosi(builder.extract_element(args[1], here), ir.IntType(64))
            for j in range(4):
                value = builder.load(builder.gep(data, [builder.add(start, ir.Constant(ir.IntType(64), j))]))
                columns[j] = builder.insert_element(columns[j], value, here)
        return context.make_tuple(builder, four, columns)

    return four(values, LANES), codegen


def four_from(values, place):
    """Four neighbours of a flat array from the whole number `place` on."""
    k = int(place)
    return values[k], values[k + 1], values[k + 2], values[k + 3]


@overload(four_from)
def _four_from(values, place):
    if isinstance(place, LanesType):
        return lambda values, place: _gather(values, place)

    def plain(values, place):
        k = int(place)
        return values[k], values[k + 1], values[k + 2], values[k + 3]

    return plain
