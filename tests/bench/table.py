"""What was measured, and the Markdown table it is printed in."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

HEADINGS: Final = ("work", "database", "ours", "baseline", "ratio", "aim")


@dataclass(frozen=True)
class Row:
    """One line of the table. ``ratio`` is what the aim is about; both are words, since no figure here is asserted."""

    work: str
    database: str
    ours: str
    baseline: str
    ratio: str
    aim: str


@dataclass(frozen=True)
class Times:
    """How long each of a number of calls took, in seconds, and how long all of them took on the clock."""

    each_s: Sequence[float]
    total_s: float

    @property
    def rate(self) -> float:
        """Calls a second."""
        return len(self.each_s) / self.total_s

    def part_ms(self, share: float) -> float:
        """What ``share`` of the calls stayed within, in milliseconds: 0.5 is the median."""
        ordered = sorted(self.each_s)
        return 1000 * ordered[min(int(share * len(ordered)), len(ordered) - 1)]

    def __str__(self) -> str:
        return f"{self.rate:.0f}/s, p50 {self.part_ms(0.5):.2f} ms, p99 {self.part_ms(0.99):.2f} ms"


def together(parts: Iterable[Times]) -> Times:
    """Several runs as one."""
    runs = list(parts)
    return Times(list(chain.from_iterable(run.each_s for run in runs)), sum(run.total_s for run in runs))


def markdown(rows: Iterable[Row]) -> str:
    """The table, its columns drawn up so that it can be read as it is printed."""
    cells = [HEADINGS, *((r.work, r.database, r.ours, r.baseline, r.ratio, r.aim) for r in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(HEADINGS))]
    lines = [" | ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)) for line in cells]
    lines.insert(1, " | ".join("-" * width for width in widths))
    return "\n".join(f"| {line} |" for line in lines)
