"""The single-diode equation to 50 digits, by bisection and Newton in mpmath.

Independent of ivkit: it works in the voltage across the diode and knows no Lambert or Wright
function. Shared by the tests of the forward equation and of the fits.
"""

import mpmath as mp

DIGITS = 50


def current(v, il, i0, rs, g, a):
    """Return the current in A at ``v`` volts as an mpmath number; ``g`` is 1/Rsh."""
    with mp.workdps(DIGITS):
        v, il, i0, rs, g, a = (mp.mpf(float(x)) for x in (v, il, i0, rs, g, a))
        if rs == 0:
            return il - i0 * mp.expm1(v / a) - v * g

        def balance(u):
            return il - i0 * mp.expm1(u / a) - u * g - (u - v) / rs

        low, high = v - rs * abs(v) * g - 1, v + rs * (il + i0) + 1
        while balance(low) < 0:
            low = 2 * low - high
        while balance(high) > 0:
            high = 2 * high - low
        for _ in range(70):
            middle = (low + high) / 2
            low, high = (middle, high) if balance(middle) > 0 else (low, middle)
        u = (low + high) / 2
        for _ in range(8):
            u += balance(u) / (i0 / a * mp.exp(u / a) + g + 1 / rs)
        return (u - v) / rs
