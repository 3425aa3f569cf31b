"""A stretch of readings as bytes, and back: differences of whole numbers, squeezed by zlib (RFC 1950).

Values are kept in the unit and with the digits that they were given in: 21.38 is 2138 with two digits, so that nothing
is lost, not even that the second digit was there. Where no ten digits hold them all, they stay the 64-bit floats that
they are. Times are whole seconds, milliseconds or microseconds, whichever is the coarsest that holds them.
"""

import struct
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from shipsvc.domain.errors import Malformed
from shipsvc.domain.quantities import DIGITS, Line

#: Readings in a full chunk: few enough to be opened in some milliseconds, so many that 10^8 of them are 1 500 rows.
CHUNK_READINGS: Final = 65_536
FLOATS: Final = -1
DIGITS_MAX: Final = 9
#: What a float holds exactly.
_WHOLE_MAX: Final = 2.0**53
_VERSION: Final = 1
_HEAD: Final = struct.Struct("<BbBBIqq")
_TIME_UNITS_US: Final = (1_000_000, 1_000, 1)
_INTEGERS: Final = tuple(np.dtype(name) for name in ("<i1", "<i2", "<i4", "<i8"))

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Summary:
    """What can be known of a chunk without opening it: readings that are numbers, the lowest and the highest in the
    canonical unit (None without any), and the widest gap between two of them in s."""

    readings: int
    lowest: float | None
    highest: float | None
    widest_gap_s: float


def in_order(times_us: Ints, values: Floats) -> tuple[Ints, Floats]:
    """Both by time; readings of one instant keep the order they came in."""
    if times_us.size and (np.diff(times_us) < 0).any():
        order = np.argsort(times_us, kind="stable")
        return times_us[order], values[order]
    return times_us, values


def summary(times_us: Ints, values: Floats, line: Line) -> Summary:
    """What stands beside a chunk whose times are in order; NaN is no reading. ``line`` leads to the canonical unit."""
    present = ~np.isnan(values)
    if not present.any():
        return Summary(0, None, None, 0.0)
    lowest, highest = canonical(np.array([values[present].min(), values[present].max()]), line)
    gaps_us = np.diff(times_us[present])
    widest_s = float(gaps_us.max()) / 1e6 if gaps_us.size else 0.0
    return Summary(int(present.sum()), float(lowest), float(highest), widest_s)


def canonical(values: Floats, line: Line) -> Floats:
    """Values in the canonical unit, as ``Line.to`` has them."""
    if line == Line():
        return values
    return np.round((values - line.zero) * line.times / line.over, DIGITS)


def digits_of(values: Floats) -> int:
    """How many digits after the point hold every value exactly; FLOATS where ten do not."""
    found = values[~np.isnan(values)]
    if found.size and np.abs(found).max() >= _WHOLE_MAX:
        return FLOATS
    for digits in range(DIGITS_MAX + 1):
        whole = np.rint(found * 10.0**digits)
        if (np.abs(whole) < _WHOLE_MAX).all() and (whole / 10.0**digits == found).all():
            return digits
    return FLOATS


def encode(times_us: Ints, values: Floats, digits: int) -> bytes:
    """A chunk as bytes. ``times_us`` are whole microseconds since 1970 in order, ``values`` as given, NaN no reading;
    ``digits`` is at least what ``digits_of`` says, or FLOATS.

    Malformed where the two differ in length, times are out of order, or a value is infinite.
    """
    _require(times_us.shape == values.shape and times_us.ndim == 1, "one value for each time")
    _require(times_us.size > 0 and not (np.diff(times_us) < 0).any(), "times in order")
    _require(not np.isinf(values).any(), "a value must not be infinite")
    unit, unit_us = next((n, us) for n, us in enumerate(_TIME_UNITS_US) if not (times_us % us).any())
    times = times_us // unit_us
    steps = np.diff(times)
    missing = np.isnan(values)
    parts = [_packed(np.diff(steps))] if steps.size else []
    if digits == FLOATS:
        first = 0
        parts.append(np.where(missing, 0.0, values).astype("<f8").tobytes())
    else:
        whole = np.rint(np.where(missing, 0.0, values) * 10.0**digits).astype(np.int64)
        first = int(whole[0])
        parts.append(_packed(np.diff(whole)))
    parts.append(np.packbits(missing).tobytes() if missing.any() else b"")
    head = _HEAD.pack(_VERSION, digits, unit, int(missing.any()), times.size, int(times[0]), first)
    step = struct.pack("<q", int(steps[0]) if steps.size else 0)
    return zlib.compress(head + step + b"".join(parts), 6)


def decode(data: bytes) -> tuple[Ints, Floats]:
    """Times in whole microseconds since 1970, and values as they were given, NaN for none. Malformed for no chunk."""
    try:
        raw = zlib.decompress(data)
        version, digits, unit, has_missing, count, first_time, first = _HEAD.unpack_from(raw)
        (step,) = struct.unpack_from("<q", raw, _HEAD.size)
        _require(version == _VERSION, "its version is not known")
        at = _HEAD.size + 8
        steps = np.zeros(0, np.int64)
        if count > 1:
            bends, at = _unpacked(raw, at, count - 2)
            steps = _summed(step, bends)
        times = _summed(first_time, steps) * _TIME_UNITS_US[unit]
        if digits == FLOATS:
            values = np.frombuffer(raw, "<f8", count, at).astype(np.float64)
            at += 8 * count
        else:
            changes, at = _unpacked(raw, at, count - 1)
            values = _summed(first, changes) / 10.0**digits
        if has_missing:
            bits = np.unpackbits(np.frombuffer(raw, np.uint8, -1, at), count=count)
            values[bits.astype(bool)] = np.nan
    except (zlib.error, struct.error, ValueError, IndexError) as error:
        raise Malformed(why="these bytes are not a chunk of readings") from error
    return times, values


def _summed(first: int, changes: Ints) -> Ints:
    found = np.empty(changes.size + 1, np.int64)
    found[0] = first
    np.cumsum(changes, out=found[1:])
    found[1:] += first
    return found


def _packed(numbers: Ints) -> bytes:
    """Whole numbers in the narrowest form that holds them all, behind a byte that says which."""
    low, high = (int(numbers.min()), int(numbers.max())) if numbers.size else (0, 0)
    fits = (n for n, kind in enumerate(_INTEGERS) if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max)
    form = next(fits)
    return bytes([form]) + numbers.astype(_INTEGERS[form]).tobytes()


def _unpacked(raw: bytes, at: int, count: int) -> tuple[Ints, int]:
    kind = _INTEGERS[raw[at]]
    end = at + 1 + kind.itemsize * count
    return np.frombuffer(raw, kind, count, at + 1).astype(np.int64), end


def _require(holds: bool, why: str) -> None:
    if not holds:
        raise Malformed(why=f"a chunk of readings: {why}")
