"""How the scenario asks the service, and what it does with the answers."""

from dataclasses import dataclass
from typing import Any

from demo_seed.play import Player

CURATOR = "p02"


@dataclass(frozen=True)
class Known:
    """One known answer: what was asked, what the scenario says, what the service says."""

    name: str
    question: str
    expected: Any
    found: Any

    @property
    def agrees(self) -> bool:
        """Whether the service gave the known answer."""
        return bool(self.expected == self.found)


def every(player: Player, path: str, who: str = CURATOR, **params: Any) -> list[Any]:
    """All rows of a report, page by page."""
    rows: list[Any] = []
    page = player.get(who, path, limit=200, **params)
    while True:
        rows += page["items"]
        if not page["next"]:
            return rows
        page = player.get(who, path, limit=200, cursor=page["next"], **params)
