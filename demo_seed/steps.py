"""What the scenario is made of: steps, each told at a moment by a person for an institution."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Fact:
    """A fact through the door. Subjects and numbers are names of the scenario; ``P:BRM-0018`` is the label print."""

    told: str
    who: str
    acting_for: str
    kind: str
    subjects: Sequence[str]
    happened: str
    body: Mapping[str, Any] = field(default_factory=dict)
    name: str = ""
    amends: str = ""
    because: str = ""
    source: str = "typed"
    device_now: str = ""
    times: int = 1


@dataclass(frozen=True)
class Command:
    """A decision or document: a POST to a path; ``{...}`` in it are names of the scenario.

    ``name`` is what the scenario calls a document whose code the service makes.
    """

    told: str
    who: str
    path: str
    body: Mapping[str, Any]
    name: str = ""


@dataclass(frozen=True)
class Table:
    """A file of a logger or sensor, sent to a path."""

    told: str
    who: str
    path: str
    content: str


Step = Fact | Command | Table


def fact(line: str, **body: Any) -> Fact:
    """A fact in one line: when told, by whom, for whom, the kind, the subjects, and after an @ when it happened.

    Without the last it happened when it was told. ``name_``, ``amends_``, ``because_``, ``source_``, ``device_now_``
    and ``times_`` are about the telling, the rest is the body.
    """
    told, who, acting_for, kind, *subjects = line.split()
    happened = subjects.pop()[1:] if subjects[-1].startswith("@") else told
    meta = {key[:-1]: body.pop(key) for key in list(body) if key.endswith("_") and key != "from_"}
    words = {key.rstrip("_"): value for key, value in body.items()}
    return Fact(told, who, acting_for, kind, subjects, happened, words, **meta)
