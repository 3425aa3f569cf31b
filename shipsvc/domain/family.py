"""The family of a sample: from which samples it was made, and in which shares, as exact fractions (rulings 33)."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Origin:
    """That so much of a sample comes from a first one, ``via`` others, the nearest to the first one first."""

    item: str
    share: Fraction
    via: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Made:
    """That a child was made from a parent by a fact, with so many ng of it; None where nobody said."""

    child: str
    parent: str
    event_id: str
    mass_ng: int | None


def shares(made: Iterable[Made]) -> dict[tuple[str, str], Fraction | None]:
    """Which share of each child comes from each of its parents, by (child, parent): 1 of a single parent; of several
    what was drawn from each; None where that is not known of all of them."""
    of_child: dict[str, dict[str, int | None]] = defaultdict(dict)
    for one in made:
        known = of_child[one.child]
        before = known.get(one.parent, 0)
        known[one.parent] = None if before is None or one.mass_ng is None else before + one.mass_ng
    return {(child, parent): _share(parent, drawn) for child, drawn in of_child.items() for parent in drawn}


def _share(parent: str, drawn: Mapping[str, int | None]) -> Fraction | None:
    if len(drawn) == 1:
        return Fraction(1)
    masses = [mass for mass in drawn.values() if mass is not None and mass > 0]
    own = drawn[parent]
    return Fraction(own, sum(masses)) if own is not None and len(masses) == len(drawn) else None


def origins(item: str, made: Collection[Made]) -> list[Origin]:
    """The first samples that a sample comes from, by every way, the largest share first; a way of which a share is not
    known is left out, as is one that goes round in a circle."""
    of = shares(made)
    parents: dict[str, list[str]] = defaultdict(list)
    for child, parent in of:
        parents[child].append(parent)
    found: list[Origin] = []
    _climb(item, Fraction(1), (item,), of, parents, found)
    return sorted(found, key=lambda origin: (-origin.share, origin.item, origin.via))


def _climb(
    item: str,
    share: Fraction,
    path: tuple[str, ...],
    of: Mapping[tuple[str, str], Fraction | None],
    parents: Mapping[str, Collection[str]],
    found: list[Origin],
) -> None:
    above = [parent for parent in parents.get(item, ()) if parent not in path]
    if not above:
        found.append(Origin(item, share, tuple(reversed(path[1:-1]))))
    for parent in above:
        part = of[item, parent]
        if part is not None:
            _climb(parent, share * part, (*path, parent), of, parents, found)


def pure(root: str, made: Iterable[Made]) -> set[str]:
    """The sample and all that was made of it alone: a mixture with others' material is of no single family.

    ``made`` tells of all parents of all descendants.
    """
    parents: dict[str, set[str]] = defaultdict(set)
    for one in made:
        parents[one.child].add(one.parent)
    family = {root}
    size = 0
    while size != len(family):
        size = len(family)
        family |= {child for child, above in parents.items() if above <= family}
    return family


def forebears(item: str, made: Iterable[Made]) -> set[str]:
    """All that a sample comes from, not itself."""
    parents: dict[str, set[str]] = defaultdict(set)
    for one in made:
        parents[one.child].add(one.parent)
    found: set[str] = set()
    waiting = [item]
    while waiting:
        fresh = parents[waiting.pop()] - found
        found |= fresh
        waiting += fresh
    return found - {item}


def nearest_common(one: str, other: str, made: Collection[Made]) -> set[str]:
    """The samples that both come from, or are, without those that another one of these comes from itself."""
    common = ({one} | forebears(one, made)) & ({other} | forebears(other, made))
    return {item for item in common if not any(item in forebears(nearer, made) for nearer in common - {item})}


def share_of(item: str, forebear: str, made: Collection[Made]) -> Fraction | None:
    """How much of a sample comes from another, by all ways together; None where one of them is not known."""
    of = shares(made)
    parents: dict[str, list[str]] = defaultdict(list)
    for child, parent in of:
        parents[child].append(parent)
    return _share_by_all_ways(item, forebear, (item,), of, parents)


def _share_by_all_ways(
    item: str,
    forebear: str,
    way: tuple[str, ...],
    of: Mapping[tuple[str, str], Fraction | None],
    parents: Mapping[str, list[str]],
) -> Fraction | None:
    if item == forebear:
        return Fraction(1)
    total = Fraction(0)
    for parent in parents.get(item, ()):
        if parent in way:
            continue  # a circle in the record leads nowhere
        share, further = of[item, parent], _share_by_all_ways(parent, forebear, (*way, parent), of, parents)
        if further == 0:
            continue
        if share is None or further is None:
            return None
        total += share * further
    return total
