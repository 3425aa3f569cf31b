"""The reserve of a collection: its floor, what is promised, and how much may still be approved. All in whole ng.

The floor is a share of the accession total after re-basis; the reserve is the book mass of the samples marked so, net
of what is promised of them (rulings 18 and 31). Shares are whole parts per million, so that no figure is rounded twice.
"""

from dataclasses import dataclass

MILLION = 1_000_000


@dataclass(frozen=True, slots=True)
class Standing:
    """How a collection stands at a moment: what it was taken in with, the share of that which must stay (None: it
    keeps no reserve), what the samples of the reserve hold by their books, and what is promised of them."""

    accession_ng: int
    floor_ppm: int | None
    reserve_ng: int
    promised_ng: int

    @property
    def floor_ng(self) -> int:
        """What must stay, rounded up to the whole ng; 0 where no reserve is kept."""
        return -(-self.accession_ng * (self.floor_ppm or 0) // MILLION)

    @property
    def headroom_ng(self) -> int:
        """What may still be promised of the reserve; below 0 where more is promised or gone than may be."""
        return self.reserve_ng - self.promised_ng - self.floor_ng

    @property
    def is_below_floor(self) -> bool:
        """Whether what is there, promised or not, is less than must stay."""
        return self.floor_ppm is not None and self.reserve_ng < self.floor_ng


@dataclass(frozen=True, slots=True)
class Stock:
    """What a sample holds by its book (None: its mass is not known), what is promised of it, and whether it belongs to
    the reserve."""

    mass_ng: int | None
    promised_ng: int
    reserve: bool


def largest_ng(stock: Stock, standing: Standing) -> int:
    """The most that may be promised of a sample: what it holds and is not promised, and no more than the headroom
    where it belongs to the reserve."""
    free_ng = (stock.mass_ng or 0) - stock.promised_ng
    if stock.reserve and standing.floor_ppm is not None:
        free_ng = min(free_ng, standing.headroom_ng)
    return max(0, free_ng)


def cut_max_ng(granted_ng: int, overshoot_ppm: int) -> int:
    """How heavy a piece may be that is cut for a grant: a little over is the saw's, more is for the panel (R-01)."""
    return granted_ng + granted_ng * overshoot_ppm // MILLION
