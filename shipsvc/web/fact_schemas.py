"""Facts as they come over HTTP, and from there to what the application takes."""

from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache, reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    PrivateAttr,
    Tag,
    TypeAdapter,
    ValidationError,
    WrapValidator,
    create_model,
)
from pydantic_core import PydanticCustomError

from shipsvc.app.told import Envelope, Told, When
from shipsvc.domain import codes, errors, times
from shipsvc.domain.facts import DECISIONS, Named
from shipsvc.domain.mass import Mass
from shipsvc.web.body_texts import NO_NUL, Code, checked, only_a_number
from shipsvc.web.errors import Fault, Problem, faults_of, listed, malformed
from shipsvc.web.fact_bodies import BODIES, Body

UUID_PATTERN = "^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$"
EXAMPLE_ID = "0195a3c2-6f00-7000-8000-000000000001"
FACTS_MAX = 1000
#: For the description only: what is wrong with a time is said in our own words.
_MONTH_OR_YEAR = "^[1-8][0-9]{3}(-(0[1-9]|1[0-2]))?$"
#: A subject is read to check it and again to take it over, and a label is scanned many times.
_seen = lru_cache(maxsize=FACTS_MAX)(codes.parse_seen)

FactId = Annotated[
    str,
    Field(pattern=UUID_PATTERN, description="Made by the client (RFC 9562, version 7 is best).", examples=[EXAMPLE_ID]),
]
Subject = Annotated[
    str,
    Field(
        min_length=1,
        max_length=200,
        description="A number as typed, a scanned print code, or the whole scanned address.",
        examples=["BRM-0010-J", "BRM0010J.1"],
    ),
    checked(_seen, keep_text=True),
]


def _instant_or_date(text: str) -> object:
    return times.parse_span(text, "UTC")


class WhenIn(BaseModel):
    """When it happened, by the clock of the one who tells it."""

    model_config = ConfigDict(extra="forbid")
    raw: Annotated[
        str,
        Field(
            max_length=40,
            description="RFC 3339 with an offset, or a bare day, month or year: the whole of it at the institution.",
            examples=["2025-03-14T09:10:00+09:00", "2025-07-01", "1987-03", "1987"],
            json_schema_extra={"anyOf": [{"format": "date-time"}, {"format": "date"}, {"pattern": _MONTH_OR_YEAR}]},
        ),
        checked(_instant_or_date, keep_text=True),
    ]
    source: Literal["device", "typed", "carrier", "import"] = "typed"
    uncertainty_s: Annotated[int, Field(ge=0, le=31_536_000, examples=[0]), BeforeValidator(only_a_number)] = 0
    sequence: Annotated[int, Field(ge=0, le=2**53 - 1), BeforeValidator(only_a_number)] | None = Field(
        None, description="The device's own count, which orders what it saw in one second.", examples=[17]
    )
    boot: Annotated[str, Field(max_length=64, pattern=NO_NUL)] | None = Field(
        None, description="The run of the device that the time was read in.", examples=["7"]
    )


class Sent(BaseModel):
    """A fact that remembers its words as they were sent: they make its identity and its digest."""

    model_config = ConfigDict(extra="forbid")
    _words: Mapping[str, Any] = PrivateAttr(default_factory=dict)


class FactBase(Sent):
    """What facts of every kind have."""

    id: FactId
    subjects: list[Subject] = Field(min_length=1, max_length=FACTS_MAX)
    time: WhenIn
    acting_for: Code = Field(examples=["TSI"])
    note: Annotated[str, Field(max_length=4000, pattern=NO_NUL)] | None = Field(
        None, description="Free words; they can be erased later without touching the fact.", examples=["box was wet"]
    )


class Replacement(BaseModel):
    """The whole new fact that takes the place of the amended one."""

    model_config = ConfigDict(extra="forbid")
    kind: Annotated[str, Field(pattern="^[a-z_]{1,40}$", examples=["weighed"])]
    subjects: list[Subject] = Field(min_length=1, max_length=FACTS_MAX)
    time: WhenIn
    body: dict[str, Any] = Field(examples=[{"mass": "512.3 mg", "balance": "B7"}])


class Amendment(BaseModel):
    """Why a fact is amended, after which earlier amendment, and what holds instead (null: nothing)."""

    model_config = ConfigDict(extra="forbid")
    expected: FactId | None = Field(None, description="The newest amendment that the author saw.")
    because: Annotated[str, Field(min_length=3, max_length=400, examples=["decimal slip, printout attached"])]
    replacement: Replacement | None


class AmendedFact(Sent):
    """An amendment: it names the original and says what holds in its place."""

    id: FactId
    kind: Literal["amended"]
    amends: FactId
    time: WhenIn
    acting_for: Code = Field(examples=["MRL"])
    body: Amendment
    note: Annotated[str, Field(max_length=4000, pattern=NO_NUL)] | None = None


def _fact_model(kind: str, body: type[Body]) -> Any:
    name = "".join(part.title() for part in kind.split("_")) + "Fact"
    empty_is_fine = not any(field.is_required() for field in body.model_fields.values())
    default = Field(default_factory=body) if empty_is_fine else Field()
    tag: Any = Literal[kind]
    doc = body.__doc__
    return create_model(name, __base__=FactBase, __doc__=doc, kind=(tag, Field()), body=(body, default))


MODELS: Mapping[str, Any] = {kind: _fact_model(kind, body) for kind, body in BODIES.items()} | {"amended": AmendedFact}


def _tag(value: Any) -> str | None:
    kind = value.get("kind") if isinstance(value, Mapping) else getattr(value, "kind", None)
    return f"<{kind}>" if isinstance(kind, str) else None


def _kind_first(value: Any, handler: Any) -> Any:
    """An unknown kind, or a decision, is answered with what to do rather than with a list of tags."""
    kind = value.get("kind") if isinstance(value, Mapping) else None
    if isinstance(kind, str) and kind not in MODELS:
        route = DECISIONS.get(kind)
        error = errors.DecisionNeedsItsRoute(kind=kind, route=route) if route else errors.UnknownKind(kind=kind)
        raise PydanticCustomError(error.code, "{said}", {"said": error.said})
    fact = handler(value)
    fact._words = value
    return fact


if TYPE_CHECKING:
    FactIn = Any  # the union of MODELS, which is built at run time
else:
    FactIn = Annotated[
        reduce(or_, (Annotated[model, Tag(f"<{kind}>")] for kind, model in MODELS.items())),
        Discriminator(_tag, custom_error_type="kind_missing", custom_error_message="Say which kind of fact this is"),
        WrapValidator(_kind_first),
    ]
_FACT: TypeAdapter[Any] = TypeAdapter(FactIn)

_instant = Annotated[
    str,
    Field(
        max_length=40,
        description="RFC 3339 with an offset.",
        examples=["2025-03-14T00:12:00Z"],
        json_schema_extra={"format": "date-time"},
    ),
    checked(times.parse_instant),
]


class EnvelopeIn(BaseModel):
    """How the request came; no part of any fact."""

    model_config = ConfigDict(extra="forbid")
    device: Annotated[str, Field(max_length=64, pattern=NO_NUL)] = Field("", examples=["phone-3"])
    device_now: _instant | None = Field(None, description="The device's clock as it sends: sets its times right.")
    boot: Annotated[str, Field(max_length=64, pattern=NO_NUL)] = Field("", examples=["7"])
    sent_at: _instant | None = None

    def told(self) -> Envelope:
        """As the application takes it."""
        now = self.device_now
        return Envelope(self.device, now if isinstance(now, datetime) else None, self.boot)


class OneFact(EnvelopeIn):
    """One fact."""

    fact: FactIn


class ManyFacts(EnvelopeIn):
    """Up to 1 000 facts, each checked, stored and answered on its own."""

    facts: list[dict[str, Any]] = Field(
        min_length=1, max_length=FACTS_MAX, description="Facts as under `fact`; one that is malformed fails alone."
    )


def _one_or_many(value: Any) -> str:
    return "<many>" if "facts" in (value if isinstance(value, Mapping) else ()) else "<one>"


TellIn = Annotated[
    Annotated[OneFact, Tag("<one>")] | Annotated[ManyFacts, Tag("<many>")],
    Discriminator(_one_or_many),
]


def read_fact(raw: Mapping[str, Any]) -> Told | Problem:
    """One fact of a batch: checked, or the problem with it."""
    try:
        return told_of(_FACT.validate_python(raw))
    except ValidationError as error:
        return malformed(faults_of(list(error.errors())))
    except errors.ShipsvcError as error:
        return malformed([Fault(pointer=error.pointer or "", code=error.code, detail=error.said)])


def told_of(fact: Any) -> Told:
    """A checked fact as the application takes it, with all that was said, which makes its identity."""
    request = {name: said for name, said in fact._words.items() if name != "note"}
    if isinstance(fact, AmendedFact):
        return _amendment(fact, request)
    subjects = tuple(_named(s) for s in fact.subjects)
    body = _body(fact.kind, fact.body)
    if body.get("into") in {s.number for s in subjects}:
        raise errors.ContainsItself(number=codes.display(body["into"]), pointer="/body/into")
    return Told(fact.id, fact.kind, subjects, _when(fact.time), fact.acting_for, body, request, note=fact.note)


def _amendment(fact: AmendedFact, request: Mapping[str, Any]) -> Told:
    new, replacement = fact.body.replacement, None
    body = {"expected": fact.body.expected, "because": fact.body.because}
    if new is not None:
        raw = {**new.model_dump(mode="json", exclude_unset=True), "id": fact.id, "acting_for": fact.acting_for}
        if new.kind == "amended":
            raise errors.UnknownKind(kind="amended, inside an amendment", pointer="/body/replacement/kind")
        try:
            replacement = told_of(_inner(raw))
        except errors.ShipsvcError as error:
            raise error.at(f"/body/replacement{error.pointer}") if error.pointer is not None else error from None
    return Told(
        fact.id,
        "amended",
        replacement.subjects if replacement else (),
        _when(fact.time),
        fact.acting_for,
        body,
        request,
        amends=fact.amends,
        replacement=replacement,
        note=fact.note,
    )


def _inner(raw: Mapping[str, Any]) -> Any:
    try:
        return _FACT.validate_python(raw)
    except ValidationError as error:
        faults = faults_of(list(error.errors()))
        raise errors.BadBody(kind=raw["kind"], why=listed(faults), pointer=faults[0].pointer) from None


def _named(text: str) -> Named:
    seen = _seen(text)
    return Named(seen.number, seen.serial)


def _when(time: WhenIn) -> When:
    return When(time.raw, time.source, time.uncertainty_s, time.sequence, time.boot)


def _body(kind: str, body: Body) -> dict[str, Any]:
    """The body with its numbers in one spelling and nothing that was not said."""
    said = body.model_dump(mode="json", exclude_unset=True, by_alias=True)
    if kind in {"used", "weighed", "loss_noted"} and said.get("mass") and Mass.parse(said["mass"]).ng < 0:
        raise errors.BadBody(kind=kind, why="a mass that is there cannot be less than nothing", pointer="/body/mass")
    return said


class Recorded(BaseModel):
    """A fact is stored. ``replayed``: it was before, and this is the first answer again."""

    id: str = Field(examples=[EXAMPLE_ID])
    status: Literal["recorded"] = "recorded"
    recorded_at: str = Field(examples=["2025-03-14T00:12:00Z"])
    happened_at: str = Field(examples=["2025-03-14T00:10:00Z"])
    flags: list[str] = Field(
        description="What a person should look at; the fact is stored all the same.", examples=[[]]
    )
    replayed: bool = False


class Failed(BaseModel):
    """A fact is not stored, and why."""

    id: str | None = Field(None, description="As far as one was sent", examples=[EXAMPLE_ID])
    status: Literal["failed"] = "failed"
    problem: Problem


class ManyAnswers(BaseModel):
    """One answer for each fact, in the order they were sent."""

    results: list[Recorded | Failed]
