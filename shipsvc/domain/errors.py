"""Every error the service raises on purpose.

ShipsvcError
├── Malformed            the words contradict themselves or the rules of writing
│   ├── WrongCheckCharacter
│   ├── NotANumber
│   ├── NotAMass
│   │   └── AmbiguousComma
│   ├── NotATime
│   ├── UnknownKind
│   ├── BadBody
│   ├── DecisionNeedsItsRoute
│   ├── ContainsItself
│   └── VersionNotNamed
├── NotSignedIn          who is speaking is not known
│   ├── WrongPassword
│   ├── WrongClient
│   └── BadToken
├── NotAllowed           known, but this is not theirs to do
│   ├── NotYourInstitution
│   ├── NotYourRole
│   ├── FromElsewhere
│   └── NotedByAnother
├── NotFound             unknown, or not theirs to see: the two look alike
│   ├── InvitationOver
│   └── HandoverOver
├── Conflict             a second word against a first one
│   ├── IdUsedForOtherFact
│   ├── AmendedMeanwhile
│   ├── AmendsAnAmendment
│   ├── AlreadyThere
│   ├── VersionMoved
│   ├── KeyUsedForOtherRequest
│   └── DependsOnFailed
├── RuleForbids          a decision of ours that a rule stands against
│   └── MoreThanHeadroom
├── TooManyTries         wrong tries to sign in
├── TooMuch              larger than the service takes in one piece
├── WrongType            a file of a kind that is not kept
└── Away                 something the service needs does not answer

The docstring of a class is its message, with the facts given as keywords filled in; ``code`` is stable
and is what programs test for. The HTTP status belongs to ``web.errors`` alone. Messages are English; they remember
what they were made of (``Text``), so that a page can say them in the language of its reader.
"""

import re
from collections.abc import Mapping, Sequence
from functools import reduce
from typing import Any, ClassVar, Self


def _snake(name: str) -> str:
    return re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()


class Text(str):
    """An English text that remembers what it was made of: the template, with {name} where a value goes, and the values,
    of which any may be a text too. KeyError where a value is missing."""

    template: str
    values: Mapping[str, Any]

    def __new__(cls, template: str, /, **values: Any) -> Self:
        made = super().__new__(cls, template.format(**values))
        made.template, made.values = template, values
        return made


def either(words: Sequence[str]) -> str:
    """One word or several, of which one is enough: "curator or registrar"."""
    return reduce(lambda one, other: Text("{one} or {other}", one=one, other=other), words)


def joined(mark: str, parts: Sequence[str]) -> Text:
    """Texts as one, with a mark between them."""
    gaps = {f"part{place}": part for place, part in enumerate(parts)}
    return Text(mark.join(f"{{{gap}}}" for gap in gaps), **gaps)


class ShipsvcError(Exception):
    """Something went wrong."""

    code: ClassVar[str] = "shipsvc_error"
    #: JSON pointer of the member that is at fault, where there is one.
    pointer: str | None

    def __init_subclass__(cls) -> None:
        cls.code = _snake(cls.__name__)

    def __init__(self, *, pointer: str | None = None, **facts: Any) -> None:
        self.facts = facts
        self.pointer = pointer
        #: The message, which str() gives as well.
        self.said = Text(type(self).__doc__ or "", **facts)
        super().__init__(self.said)

    def at(self, pointer: str) -> "ShipsvcError":
        """The same error, said of one member of the request."""
        self.pointer = pointer
        return self


class Malformed(ShipsvcError):
    """The request is malformed: {why}"""


class WrongCheckCharacter(Malformed):
    """{typed} does not end in the check character that {number} has. Read the label again, or scan it."""


class NotANumber(Malformed):
    """{typed} is not an item number. A number is letters, digits and one check character, such as BRM-0001-L."""


class NotAMass(Malformed):
    """{typed} is not a mass. Write a plain number and its unit, such as "512.0 mg"."""


class AmbiguousComma(NotAMass):
    """{typed} has a comma, which is a decimal sign to some and parts thousands to others. Write a point: "12.5 mg"."""


class NotATime(Malformed):
    """{typed} is not a time with an offset. Write it as in 2025-03-10T08:40:00Z or 2025-03-10T08:40:00+01:00."""


class UnknownKind(Malformed):
    """There is no kind of fact called {kind}. The kinds are listed under POST /v1/events in the API description."""


class BadBody(Malformed):
    """The body of this {kind} fact cannot be used: {why}"""


class DecisionNeedsItsRoute(Malformed):
    """{kind} is a decision, not a fact about the world. Take it at {route}."""


class ContainsItself(Malformed):
    """{number} is packed into itself. Name the thing that goes in as a subject and the other as "into"."""


class VersionNotNamed(Malformed):
    """Say which version your change follows: send If-Match with the ETag of what you read, such as "v3"."""


class NotSignedIn(ShipsvcError):
    """Sign in first: send "Authorization: Bearer ..." with a token from POST /v1/token."""


class WrongPassword(NotSignedIn):
    """The name or the password is wrong."""


class WrongClient(NotSignedIn):
    """There is no such client, or the secret is not one of its own, is over, or was revoked."""


class BadToken(NotSignedIn):
    """The token cannot be used ({why}). Sign in again."""


class NotAllowed(ShipsvcError):
    """This is not yours to do."""


class NotYourInstitution(NotAllowed):
    """You do not act for {institution}. Name an institution that you act for in "acting_for"."""


class NotYourRole(NotAllowed):
    """This needs the role of {needed} at {institution}."""


class FromElsewhere(NotAllowed):
    """That form was not sent by a page of this service. Open the page here, and send it from there."""


class NotedByAnother(NotAllowed):
    """These facts were noted on this device by somebody else. They go out once that person signs in here."""


class NotFound(ShipsvcError):
    """There is no {what} {name} that you may see. Check how it is written."""


class InvitationOver(NotFound):
    """This link was used, replaced by a newer one, or is over. Ask an administrator for a new one."""


class HandoverOver(NotFound):
    """This link was used, or is over. Whoever hands the things over can show a new one."""


class Conflict(ShipsvcError):
    """This cannot stand beside what was said before."""


class IdUsedForOtherFact(Conflict):
    """The id {id} was used for another fact. Send a fact under an id of its own; repeat a fact word for word."""


class AmendedMeanwhile(Conflict):
    """Fact {id} was amended after you read it; the newest amendment is {newest}. Read it, then amend again."""


class AmendsAnAmendment(Conflict):
    """Fact {id} is itself an amendment. Amend the original, {original}."""


class AlreadyThere(Conflict):
    """There is a {what} {name} already. Choose another name, or change the one that is there."""


class VersionMoved(Conflict):
    """{what} {name} is at version {newest}, not at the one you read. Read it again, then send your change."""


class KeyUsedForOtherRequest(Conflict):
    """The Idempotency-Key {key} came with another request before. Send each request under a key of its own."""


class DependsOnFailed(Conflict):
    """This fact speaks of a thing that an earlier fact of the same request, {id}, failed for. Mend that one first."""


class RuleForbids(ShipsvcError):
    """This cannot be done: {why}"""


class MoreThanHeadroom(RuleForbids):
    """Of {sample} at most {largest} mg can be promised now, not {asked} mg. Grant less, or refuse the request."""


class TooManyTries(ShipsvcError):
    """Too many tries to sign in have failed. Wait {wait_s} seconds, then try again with the right password."""


class TooMuch(ShipsvcError):
    """{what} is larger than the service takes in one piece ({limit}). Send it in smaller pieces."""


class WrongType(ShipsvcError):
    """This file is not taken: {why} Send a JPEG, PNG or WebP image, a PDF, or CSV, JSON or plain text in UTF-8."""


class Away(ShipsvcError):
    """{what} does not answer now. Send the same again in a moment, with the same id or key: nothing is stored twice."""
