"""The known answers about loggers and sensors (demo.md T11), asked over HTTP."""

from collections.abc import Iterator

from demo_seed.asking import CURATOR, Known
from demo_seed.play import Player


def sensors(player: Player) -> Iterator[Known]:
    """How clocks stood, and when loggers truly began and ended."""
    clock = "/v1/sources/{}/clock-checks"
    (summer,) = player.get(CURATOR, clock.format("LG-201"))["corrections"]
    days = 9 + 6 / 24 + 20 / 1440
    told = (summer["checks"], summer["offset_s"], round(summer["drift_s_per_day"] * days, 3))
    yield Known("T11", "clock of LG-201: checks, offset at the read-out, drift over nine days", (2, 3641.0, 41.0), told)
    first = player.get(CURATOR, clock.format("LG-201"), known_on="2025-04-25T00:00:00Z")["corrections"]
    yield Known("T11", "the same, as known before its read-out", [3600.0], [one["offset_s"] for one in first])
    (slow,) = player.get(CURATOR, clock.format("LG-301"))["corrections"]
    yield Known("T11", "clock of LG-301", (1, -4.0), (slow["checks"], slow["offset_s"]))
    (late,) = player.get(CURATOR, "/v1/sources/LG-101/uploads")["items"]
    began = (late["begin_at"], late["end_at"], late["rows_bad"])
    expected = ("2025-03-24T11:10:00Z", "2025-04-01T01:00:00Z", 0)
    yield Known("T11", "LG-101, with delayed start: first and last reading", expected, began)
