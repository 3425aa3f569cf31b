"""The family of a sample as a drawing: what it was made of at the left, what was made of it at the right."""

from collections import defaultdict
from collections.abc import Mapping, Sequence

from markupsafe import Markup

from shipsvc.web.balance_schemas import FamilyMember, FamilyShown, FamilyStep
from shipsvc.web.pages.language import say
from shipsvc.web.pages.rendering import mg
from shipsvc.web.pages.svg import plot, tag, words

#: A family that is larger is told as a table alone.
MEMBERS_MAX = 80
_WIDTH, _HEIGHT, _ACROSS, _DOWN = 178, 40, 240, 48
_WORDS_MAX = 26


def family(found: FamilyShown) -> Markup | None:
    """Boxes and lines; the share stands at a line where a sample comes from several. None for none or too many."""
    if not 1 < len(found.members) <= MEMBERS_MAX:
        return None
    column = _generations(found.steps, [one.number for one in found.members])
    line = _lines(found.steps, column)
    where = {n: (4 + column[n] * _ACROSS, 4 + line[n] * _DOWN) for n in column}
    parts = [_edge(step, where) for step in found.steps]
    parts += [_box(one, where[one.number], one.number == found.number) for one in found.members]
    width = max(x for x, _ in where.values()) + _WIDTH + 8
    height = max(y for _, y in where.values()) + _HEIGHT + 8
    return plot(say("The family of %(number)s", number=found.number), width, height, *parts)


def _generations(steps: Sequence[FamilyStep], numbers: Sequence[str]) -> dict[str, int]:
    """How many steps the longest way from a first sample takes; a circle in the record ends the counting."""
    found = dict.fromkeys(numbers, 0)
    for _ in numbers:
        for step in steps:
            found[step.child] = min(max(found[step.child], found[step.parent] + 1), len(numbers))
    return found


def _lines(steps: Sequence[FamilyStep], column: Mapping[str, int]) -> dict[str, float]:
    """On which line each stands: what ends a branch on one of its own, what branches amid its branches."""
    below: dict[str, list[str]] = defaultdict(list)
    for step in steps:
        if step.child not in below[step.parent]:
            below[step.parent].append(step.child)
    found: dict[str, float] = {}
    begun: set[str] = set()
    free = 0

    def place(number: str) -> None:
        nonlocal free
        begun.add(number)
        fresh = []
        for child in below[number]:
            if child not in begun:
                place(child)
                fresh.append(found[child])
        if fresh:
            found[number] = sum(fresh) / len(fresh)
        else:
            found[number] = free
            free += 1

    for number in sorted(column, key=lambda one: (column[one], one)):
        if number not in begun:
            place(number)
    return found


def _edge(step: FamilyStep, where: Mapping[str, tuple[float, float]]) -> Markup:
    (left, top), (right, bottom) = where[step.parent], where[step.child]
    left, top, bottom = left + _WIDTH, top + _HEIGHT / 2, bottom + _HEIGHT / 2
    middle = (left + right) / 2
    line = tag(
        "path", d=f"M{left:g} {top:g}C{middle:g} {top:g} {middle:g} {bottom:g} {right:g} {bottom:g}", class_="edge"
    )
    if step.share is None or step.share.numerator == step.share.denominator:
        return line
    return line + words(right - 4, bottom - 4, f"{step.share.percent} %", text_anchor="end", class_="soft")


def _box(one: FamilyMember, at: tuple[float, float], here: bool) -> Markup:
    x, y = at
    looks = "box" + (" here" if here else "") + (" ended" if one.ended else "")
    state = "nothing left" if one.ended else mg(one.mass_mg) if one.mass_mg else ""
    what = one.what if len(one.what) <= _WORDS_MAX else one.what[: _WORDS_MAX - 1] + "…"
    return Markup("").join(
        (
            tag("rect", x=x, y=y, width=_WIDTH, height=_HEIGHT, rx=4, class_=looks),
            words(x + 6, y + 16, one.number, class_="strong"),
            words(x + _WIDTH - 6, y + 16, state, text_anchor="end"),
            words(x + 6, y + 33, what, class_="soft"),
        )
    )
