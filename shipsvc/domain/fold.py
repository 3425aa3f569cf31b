"""The fold: from facts in order to what they mean for each item - nest, holder, place, book mass, loan line.

What is told of a thing is told of everything in it at that instant. The fold looks only backwards, so it can start at
any instant from the states that held just before it; ``run`` is all there is to call.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from shipsvc.domain import acts, book, custody, ledger, lending, places, sheets, taring
from shipsvc.domain.acts import Birth, ItemInfo
from shipsvc.domain.book import Book
from shipsvc.domain.custody import Custody
from shipsvc.domain.facts import OF_MATERIAL, OF_THE_NAMED, PRESENCE, Fact, Named, in_order, same_institution
from shipsvc.domain.ledger import Move, Side
from shipsvc.domain.places import Keeps, Whereabouts
from shipsvc.domain.rulebook import Rulebook, Rules
from shipsvc.domain.states import NOTHING, Change, Entry, Outcome, Raised, State

#: Said of the very number, whatever its prints are on and whatever it is in.
OF_THE_NUMBER = frozenset({"registered", "label_attached", "loan_signed", "due_set", "recalled"})
#: A nest deeper than this is a mistake in the record, not a box in a box.
DEPTH_MAX = 64


def run(
    start: Mapping[str, State],
    facts: Iterable[Fact],
    infos: Mapping[str, ItemInfo],
    attached: Mapping[Named, str],
    rulebook: Rulebook,
    keeps: Keeps,
) -> Outcome:
    """Fold ``facts`` onto the states ``start`` that held just before the first of them.

    ``attached`` says which container each label print was on at that moment, ``keeps`` which profile a place keeps.
    """
    fold = _Fold(start, infos, attached, rulebook, keeps)
    for fact in in_order(facts):
        fold.take(fact)
    return fold.out


class _Fold:
    def __init__(
        self,
        start: Mapping[str, State],
        infos: Mapping[str, ItemInfo],
        attached: Mapping[Named, str],
        rulebook: Rulebook,
        keeps: Keeps,
    ) -> None:
        self.states = dict(start)
        self.infos = infos
        self.attached = dict(attached)
        self.rulebook = rulebook
        self.keeps = keeps
        self.contents: dict[str, set[str]] = defaultdict(set)
        for item, state in start.items():
            if state.parent:
                self.contents[state.parent].add(item)
        self.lines: Counter[tuple[str, str]] = Counter()
        self.out = Outcome()

    def take(self, fact: Fact) -> None:
        """Take in one fact, which no fact taken in before may follow."""
        items: dict[str, None] = {}  # in order, each once: a vial and the sample in it are one thing
        passed: dict[str, None] = {}
        for named in fact.subjects:
            labelled = self._labelled(named, fact)
            item = self._meant(labelled, fact)
            items[item] = None
            passed |= {labelled: None, item: None}
        self.out.resolved[fact.id] = tuple(passed)
        if fact.waits:
            return
        if fact.kind == "label_attached":
            self._attach(fact)
        for item in items:
            self._told_of(item, fact)

    # ---------------------------------------------------------------------------------------- which item is meant
    def _labelled(self, named: Named, fact: Fact) -> str:
        """What the print that was read was on at that instant (rulings 4), or the number as typed."""
        if named.serial is None or fact.kind in OF_THE_NUMBER:
            return named.number
        return self.attached.get(named, named.number)

    def _meant(self, item: str, fact: Fact) -> str:
        """The sample in a container or the vial around a sample, whichever the fact is about."""
        if fact.kind in OF_THE_NUMBER:
            return item
        return self._material(item, fact) if fact.kind in OF_MATERIAL else self._vial(item, fact)

    def _material(self, item: str, fact: Fact) -> str:
        samples = [c for c in self.contents.get(item, ()) if self._info(c).kind == "sample"]
        if self._info(item).kind == "sample" or not samples:
            return item
        if len(samples) > 1:
            self._flag(item, fact, "which_sample", "there is more than one sample in it")
            return item
        return samples[0]

    def _vial(self, item: str, fact: Fact) -> str:
        """A sample is handled in its vial, unless the material itself is put into another one."""
        parent = self._state(item).parent
        if parent is None or self._info(item).kind != "sample" or self._info(parent).form != "vial":
            return item
        return item if fact.kind in {"packed", "unpacked"} and fact.body.get("material") is True else parent

    def _attach(self, fact: Fact) -> None:
        container = fact.text("to")
        for named in fact.subjects:
            if container:
                self.attached[named] = container

    # ------------------------------------------------------------------------------------------ what it does to it
    def _told_of(self, item: str, fact: Fact) -> None:
        if self._state(item).custody.state == "ended" and fact.kind not in OF_THE_NUMBER:
            self._flag(item, fact, "has_ended", "it was told before that nothing was left of it")
        counts = self._counts(item, fact)
        if not counts:
            self._flag(item, fact, "strangers_word", "whoever tells it has nothing to do with it: it is a claim only")
        elsewhere = self._leaves_nest(item, fact)
        if counts and (elsewhere or fact.kind == "unpacked"):
            self._leave(item, fact)
        whole = [item] if fact.kind in OF_THE_NAMED else [item, *self._inside(item)]
        for target in whole:
            self._step(target, fact, "" if target == item else item)
        if fact.kind == "packed" and counts:
            self._pack(item, fact)
        if counts and self._state(item).custody.state != "ended":
            self._kept(item, fact)
        if fact.kind in acts.OF_MASS and self._info(item).kind == "sample":
            self._mass_act(item, fact, counts)
        if fact.kind == "tared" and self._info(item).kind != "sample":
            self._tare(item, fact, counts)

    def _counts(self, item: str, fact: Fact) -> bool:
        """Whether the teller has to do with the thing at that instant: owns, holds, lends or owes it, or was handed it.

        Anybody may tell anything; a stranger's word claims the thing and moves nothing else (rulings 17). Once the word
        that was missing is told, the fold comes by here again and finds no stranger.
        """
        state = self._state(item)
        held, line = state.custody, state.line
        owner = self._info(item).owner
        if held.certain is None and not owner:
            return True
        handed = held.claimed if held.state == "giver_only" else None
        owed_next = line.following.borrower if line.following else None
        parties = (held.certain, handed, owner, line.lender, line.borrower, owed_next)
        return any(same_institution(fact.acting_for, party) for party in parties)

    def _step(self, item: str, fact: Fact, by_item: str) -> None:
        state = self._state(item)
        line, where, profile = state.line, state.where, state.profile
        if fact.signature is not None:
            fact = replace(fact, signed_for=custody.signature_holds(state.custody, fact))
            if not by_item and fact.signed_for:
                self._flag(item, fact, "one_device", "the other side signed on the device of who handed it over")
            elif not by_item:
                self._flag(item, fact, "signature_alone", "it answers no release of who had it: it is only declared")
        if self._counts(item, fact):
            line, where = lending.after(line, fact), places.after(where, fact, state.custody)
            profile = self._first_profile(item, where, fact)
        held = custody.after(state.custody, fact, self._info(item).owner)
        if not by_item and fact.kind in {"released", "accepted"} and held.state == "disputed":
            self._flag(item, fact, "disputed", "two own words name different takers")
        self._set(item, fact, by_item, line=line, where=where, custody=held, profile=profile)

    def _leaves_nest(self, item: str, fact: Fact) -> bool:
        """Direct evidence of a thing elsewhere beats what its box would say; flagged where the holder differs."""
        state = self._state(item)
        if state.parent is None or fact.kind not in PRESENCE or fact.kind == "packed":
            return False
        if custody.contradicts(state.custody, fact) and fact.own_word:
            self._flag(item, fact, "seen_elsewhere", f"it was held to be in {state.parent}")
            return True
        box = self._state(state.parent).where
        return fact.kind == "stored" and (box.status, box.place) != ("stored", fact.text("place"))

    def _pack(self, item: str, fact: Fact) -> None:
        parent = fact.text("into")
        if parent is None or self._state(item).custody.state == "ended":
            return
        if parent == item or item in self._above(parent):
            self._flag(item, fact, "nest_cycle", f"{parent} was itself inside it; the nest is left as it was")
            return
        if self._state(item).parent not in (None, parent):
            self._flag(item, fact, "was_elsewhere", f"it was still told to be in {self._state(item).parent}")
        self._set(item, fact, parent=parent)
        if self._holds_material(item, parent):
            self._set(parent, fact, closed=True)  # the cap of a vial is put on
        box = self._state(parent).where
        for target in (item, *self._inside(item)):
            moved = places.packed_into(self._state(target).where, box)
            profile = self._first_profile(target, moved, fact)
            self._set(target, fact, "" if target == item else item, where=moved, profile=profile)

    def _leave(self, item: str, fact: Fact) -> None:
        """Out of what it was in; whoever takes material out of a vial has opened that."""
        parent = self._state(item).parent
        self._set(item, fact, parent=None)
        if parent is not None and self._holds_material(item, parent):
            self._set(parent, fact, item, closed=False)

    def _holds_material(self, item: str, parent: str) -> bool:
        return self._info(item).kind == "sample" and self._info(parent).form == "vial"

    # ---------------------------------------------------------------------------------------------- what it is kept in
    def _first_profile(self, item: str, where: Whereabouts, fact: Fact) -> str | None:
        """A sample that nobody set a profile for has that of the place in which it is first stored."""
        profile = self._state(item).profile
        if profile is not None or fact.kind not in {"stored", "packed"} or where.status != "stored":
            return profile
        return places.profile_kept(self.keeps, where.place, fact) if self._info(item).kind == "sample" else None

    def _kept(self, item: str, fact: Fact) -> None:
        """The decision on its profile; the words that close or open it, though not what is in it (rulings 21)."""
        if fact.kind in {"sealed", "opened"}:
            self._set(item, fact, closed=fact.kind == "sealed")
        if fact.kind == "profile_set" and self._info(item).kind == "sample":
            self._set(item, fact, profile=fact.text("profile"))

    def _mass_act(self, item: str, fact: Fact, counts: bool) -> None:
        state = self._state(item)
        if fact.body.get("reserve") is True and not same_institution(fact.acting_for, self._info(item).owner):
            fact = replace(fact, body={**fact.body, "reserve": None})  # what is kept is for its owner to say
        rules = self.rulebook.at(fact.happened_at, self._info(item).collection)
        fact = self._netted(item, fact, rules)
        done = acts.done(item, state.book, fact, rules)
        if done.compared and (counts or not done.compared.is_sheet):
            self.out.comparisons.append((item, fact, done.compared))
        if not counts:
            return
        if done.compared and done.compared.is_sheet:
            self._flag(item, fact, "does_not_close", sheets.missing(done.compared.result))
        self._book(item, fact, done.book, done.moves)
        for number, born in done.children:
            self._born(number, born, item, state, fact)
        for number, account in done.used:
            self._used_up(number, account, fact)
        for number, drawn in done.parents:
            held = self._state(number).book
            source = ledger.sample(number) if held.mass_ng is not None else ledger.ORIGIN
            self._book(number, fact, book.lowered(held, drawn), ledger.moved(source, ledger.sample(item), drawn.ng))
            self.out.births.append(Birth(item, number, fact.happened_at, fact.id, drawn.ng))
        mixed = {self._state(number).profile for number, _ in done.parents}
        if len(mixed) == 1 and self._state(item).profile is None:
            self._set(item, fact, profile=mixed.pop())  # of parents kept in several, it is for a person to say
        if done.ends:
            self._end(item, fact)

    def _netted(self, item: str, fact: Fact, rules: Rules) -> Fact:
        """A weighing as it is once what its container weighs empty is taken into account."""
        if fact.kind != "weighed" or fact.text("gross") is None:
            return fact
        parent = self._state(item).parent
        tare = self._state(parent).tare if parent else None
        self._flag_all(item, fact, taring.flags(fact, tare, rules))
        return replace(fact, body=taring.netted(fact.body, tare)) if taring.needs_tare(fact) else fact

    def _tare(self, item: str, fact: Fact, counts: bool) -> None:
        rules = self.rulebook.at(fact.happened_at)
        self._flag_all(item, fact, taring.flags(fact, self._state(item).tare, rules))
        tare = taring.told(fact, rules)
        if counts and tare:
            self._set(item, fact, tare=tare)

    def _flag_all(self, item: str, fact: Fact, found: Iterable[tuple[str, str]]) -> None:
        for code, detail in found:
            self._flag(item, fact, code, detail)

    def _book(self, item: str, fact: Fact, after: Book, moves: Iterable[Move]) -> None:
        """A book and the moves that follow from how it was; a move belongs to the item whose book decides on it."""
        self._set(item, fact, book=after)
        if after.mass_ng is not None and after.mass_ng < 0:
            self._flag(item, fact, "below_zero", "more was told to have left it than it held")
        for move in moves:
            line = self.lines[item, fact.id]
            self.lines[item, fact.id] += 1
            self.out.entries.append(Entry(item, fact, line, move))

    def _born(self, number: str, born: Book, parent: str, before: State, fact: Fact) -> None:
        """A piece starts where its parent was, owed as its parent was (trade cases 36 and 38)."""
        self.out.births.append(Birth(number, parent, fact.happened_at, fact.id, born.mass_ng))
        known = self._state(number)
        # Registered out of a block before the split was told, it was only claimed: now it is known where it came from.
        unheld = known.custody.certain is None and known.custody.state != "ended"
        self._set(
            number,
            fact,
            custody=before.custody if unheld else known.custody,
            where=before.where if known.where == NOTHING.where else known.where,
            line=before.line if known.line == NOTHING.line else known.line,
            profile=before.profile if known.profile is None else known.profile,
        )
        held_ng = known.book.mass_ng or 0
        if held_ng and born.mass_ng is None and born.how != book.EMBEDDED:
            return  # what it was registered with was taken in beside its parent's mass
        # Here it came out of its parent, and what it was registered with is not taken in twice.
        born = replace(born, reserve=known.book.reserve)  # what comes off the reserve is none of it, unless set so
        self._book(number, fact, born, ledger.moved(ledger.sample(number), ledger.ORIGIN, held_ng))

    def _used_up(self, number: str, account: Side, fact: Fact) -> None:
        """A piece that was taken and used in one act (trade.md, step 8)."""
        held = self._state(number).book
        if held.mass_ng is not None:
            moves = ledger.moved(ledger.sample(number), account, held.mass_ng)
            self._book(number, fact, book.closed(held), moves)
        self._end(number, fact)

    def _end(self, item: str, fact: Fact) -> None:
        state = self._state(item)
        line = state.line
        if line.state in lending.OUT:
            decided = fact.kind in {"written_off", "lost_decided"}
            line = replace(line, state="lost_decided" if decided else "used_up", since=fact.happened_at)
        where = replace(state.where, status="ended")
        self._set(item, fact, parent=None, custody=Custody(state="ended"), where=where, line=line)

    # ---------------------------------------------------------------------------------------------------- bookkeeping
    def _state(self, item: str) -> State:
        return self.states.get(item, NOTHING)

    def _info(self, item: str) -> ItemInfo:
        return self.infos.get(item, acts.UNKNOWN_ITEM)

    def _inside(self, item: str) -> Iterator[str]:
        for child in sorted(self.contents.get(item, ())):
            yield child
            yield from self._inside(child)

    def _above(self, item: str) -> list[str]:
        found: list[str] = []
        parent = self._state(item).parent
        while parent is not None and len(found) < DEPTH_MAX:
            found.append(parent)
            parent = self._state(parent).parent
        return found

    def _set(self, item: str, fact: Fact, by_item: str = "", **new: Any) -> None:
        state = self._state(item)
        after = replace(state, **new)
        if after == state:
            return
        if after.parent != state.parent:
            self._move(item, state.parent, after.parent)
        self.states[item] = after
        found = self.out.changes[item]
        if found and found[-1].at == fact.happened_at:
            found.pop()  # a span of no length is no span
        found.append(Change(fact.happened_at, after, fact.id, by_item))

    def _move(self, item: str, old: str | None, new: str | None) -> None:
        if old is not None:
            self.contents[old].discard(item)
        if new is not None:
            self.contents[new].add(item)

    def _flag(self, item: str, fact: Fact, code: str, detail: str) -> None:
        self.out.flags.append(Raised(item, fact.id, code, detail))
