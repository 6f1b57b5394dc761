"""Numbers to text in columns: hundreds of thousands at once, fixed decimals, no exponent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Pool", "fixed", "fixed_text", "join_pools"]

_MAX_DIGITS = 18
_EXACT = 2.0**52  # from here on doubles have no fraction


@dataclass(frozen=True, slots=True)
class Pool:
    """Texts end to end: `data` (b,) uint8 and `length` (k,) int64, one a text."""

    data: NDArray[np.uint8]
    length: NDArray[np.int64]

    def text(self, index: int) -> bytes:
        """One of the texts."""
        start = int(self.length[:index].sum())
        return self.data[start : start + int(self.length[index])].tobytes()


def fixed(values: NDArray[np.float64], decimals: int) -> Pool:
    """`values` (k,) with `decimals` places, as `format(value, ".nf")` rounds, `-0` printed as `0`.

    Exact halves go to even; what counts is the double itself, not its product with a power of ten.

    Raises
    ------
    ValueError : a value that is not finite or has more than 18 digits.
    """
    if not np.all(np.isfinite(values)):
        raise ValueError("a number to print is not finite")
    scaled = values * 10.0**decimals
    if len(values) and float(np.abs(scaled).max()) >= 10.0**_MAX_DIGITS:
        raise ValueError(f"a number to print has more than {_MAX_DIGITS} digits")
    nearest = np.rint(scaled)
    whole = nearest.astype(np.int64)
    # The product is rounded itself: near a half, and above 2^52, only its error tells which way to go.
    close = np.flatnonzero((np.abs(scaled - nearest) == 0.5) | (np.abs(scaled) >= _EXACT))
    if len(close):
        whole[close] = [_scaled(value, decimals) for value in values[close].tolist()]
    negative = whole < 0
    rest = np.abs(whole)
    powers = 10 ** np.arange(1, _MAX_DIGITS + 1, dtype=np.int64)
    digits = np.maximum(np.searchsorted(powers, rest, side="right") + 1, decimals + 1)
    widest = int(digits.max(initial=1))
    width = widest + (decimals > 0) + 1
    table = np.full((len(values), width), 48, np.uint8)
    column = width - 1
    for place in range(widest):
        if decimals and place == decimals:
            table[:, column] = 46
            column -= 1
        rest, digit = np.divmod(rest, 10)
        table[:, column] += digit.astype(np.uint8)
        column -= 1
    length = digits + (decimals > 0) + negative
    sign_at = width - length
    table[np.flatnonzero(negative), sign_at[negative]] = 45
    used = np.arange(width)[None, :] >= (width - length)[:, None]
    return Pool(table[used], length.astype(np.int64))


def _scaled(value: float, decimals: int) -> int:
    return int(f"{value:.{decimals}f}".replace(".", ""))


def fixed_text(value: float, decimals: int) -> bytes:
    """One number, as `fixed` prints it."""
    return fixed(np.array([value]), decimals).data.tobytes()


def join_pools(*pools: Pool | bytes, count: int) -> Pool:
    """Texts side by side: a constant or one text a row from each argument, `count` rows."""
    parts = [
        p if isinstance(p, Pool) else Pool(np.tile(np.frombuffer(p, np.uint8), count), np.full(count, len(p)))
        for p in pools
    ]
    length = np.sum([p.length for p in parts], axis=0)
    start = np.cumsum(length) - length
    out = np.empty(int(length.sum()), np.uint8)
    for part in parts:
        origin = np.cumsum(part.length) - part.length
        shift = np.repeat(start - origin, part.length)
        out[np.arange(len(part.data)) + shift] = part.data
        start = start + part.length
    return Pool(out, length.astype(np.int64))
