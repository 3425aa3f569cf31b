"""Long series made short enough to be drawn, without losing an extreme: the lowest and the highest of each pixel.

Times are POSIX seconds, values in one unit, NaN no reading. Readings may come in any order and in pieces.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from shipsvc.domain.errors import Malformed

_Floats = npt.NDArray[np.float64]


@dataclass
class Thinned:
    """A window of time cut into ``pixels`` of equal width. Whatever is added, each keeps its lowest and its highest
    reading with their times; so the memory is that of the pixels, however long the series."""

    begin_s: float
    end_s: float
    pixels: int
    readings: int = 0
    _lowest: _Floats = field(init=False)
    _highest: _Floats = field(init=False)
    _lowest_s: _Floats = field(init=False)
    _highest_s: _Floats = field(init=False)

    def __post_init__(self) -> None:
        if not (self.pixels > 0 and self.begin_s <= self.end_s):
            raise Malformed(why="a series is drawn on one pixel at least, from a time to a later one")
        self._lowest, self._highest = np.full(self.pixels, np.inf), np.full(self.pixels, -np.inf)
        self._lowest_s, self._highest_s = np.zeros(self.pixels), np.zeros(self.pixels)

    def add(self, times_s: _Floats, values: _Floats) -> None:
        """Take in readings; what lies outside the window, both ends included, is passed over."""
        inside = ~np.isnan(values) & (times_s >= self.begin_s) & (times_s <= self.end_s)
        times_s, values = times_s[inside], values[inside]
        if not values.size:
            return
        self.readings += int(values.size)
        width_s = (self.end_s - self.begin_s) / self.pixels
        pixel = np.zeros(values.size, np.int64)
        if width_s > 0:
            pixel = np.minimum(((times_s - self.begin_s) / width_s).astype(np.int64), self.pixels - 1)
        # The first of each pixel in either order is its extreme: of equal values the earliest one.
        rising = np.lexsort((times_s, values, pixel))
        falling = np.lexsort((times_s, -values, pixel))
        for order, kept, kept_s, beats in (
            (rising, self._lowest, self._lowest_s, np.less),
            (falling, self._highest, self._highest_s, np.greater),
        ):
            first = order[np.r_[True, np.diff(pixel[order]) > 0]]
            at = pixel[first]
            better = beats(values[first], kept[at])
            kept[at[better]], kept_s[at[better]] = values[first][better], times_s[first][better]

    def points(self) -> tuple[_Floats, _Floats]:
        """Times and values in the order of time: of each pixel its lowest and its highest reading, or the only one."""
        hit = self._highest >= self._lowest
        times_s = np.r_[self._lowest_s[hit], self._highest_s[hit]]
        values = np.r_[self._lowest[hit], self._highest[hit]]
        order = np.lexsort((values, times_s))
        times_s, values = times_s[order], values[order]
        again = np.r_[False, (np.diff(times_s) == 0) & (np.diff(values) == 0)][: times_s.size]
        return times_s[~again], values[~again]
