"""Which institution took over from which: decisions told early or late, resolved for the moment that is asked about."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from shipsvc.domain.facts import institution_of


@dataclass(frozen=True, slots=True)
class Succession:
    """From ``from_at`` on the successor answers for the predecessor; None: the predecessor answers for itself again."""

    predecessor: str
    successor: str | None
    from_at: datetime
    recorded_at: datetime


@dataclass(frozen=True)
class Heirs:
    """The successions in force at one moment, by predecessor."""

    links: Mapping[str, Succession]

    def of(self, party: str) -> str:
        """The institution that answers for a party; the institution itself where nobody took over from it."""
        return self.line(str(institution_of(party)))[-1]

    def line(self, code: str) -> list[str]:
        """The institution, its successor, the successor of that, and so on; ends where a cycle would begin."""
        found = [code]
        while (link := self.links.get(found[-1])) and link.successor and link.successor not in found:
            found.append(link.successor)
        return found

    def family(self, code: str) -> list[str]:
        """The institution and every one that it took over from, at first or second hand, in the order of codes."""
        return sorted({code, *(old for old in self.links if code in self.line(old))})

    def inherited(self, roles: frozenset[tuple[str, str]]) -> frozenset[tuple[str, str]]:
        """The (institution, role) pairs, and each role at every institution that its own one took over from."""
        return frozenset((old, role) for where, role in roles for old in self.family(where)) if self.links else roles


def in_force(told: Iterable[Succession], as_of: datetime, known_on: datetime) -> Heirs:
    """Of the decisions about an institution that were told by ``known_on`` and begin by ``as_of``, the one that begins
    last holds, and of two that begin together the one told last. So a merge told late takes nothing from a later one.
    """
    last: dict[str, Succession] = {}
    for one in told:
        if one.from_at <= as_of and one.recorded_at <= known_on:
            before = last.get(one.predecessor)
            if before is None or (before.from_at, before.recorded_at) <= (one.from_at, one.recorded_at):
                last[one.predecessor] = one
    return Heirs({code: one for code, one in last.items() if one.successor})


def cycle(told: Iterable[Succession], code: str, since: datetime, known_on: datetime) -> list[str] | None:
    """The first line of successors from ``code`` on that comes back to it at ``since`` or later; None if none does."""
    everything = list(told)
    for at in sorted({since, *(one.from_at for one in everything if one.from_at > since)}):
        heirs = in_force(everything, at, known_on)
        line = heirs.line(code)
        last = heirs.links.get(line[-1])
        if last is not None:
            return [*line, str(last.successor)]
    return None
