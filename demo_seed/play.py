"""Plays the scenario into a running service, step by step, each at the moment it was told."""

import re
import time
import uuid
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx

from demo_seed.steps import Fact, Step, Table

PASSWORD = "braithmoss"  # noqa: S105  # of an invented scenario, shown to whoever runs it
DEMO_NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


class ScenarioClock:
    """A clock that stands where the scenario is, and runs on by itself once it was let go."""

    def __init__(self) -> None:
        self.at = datetime(2025, 1, 2, 9, 0, tzinfo=UTC)
        self._let_go: float | None = None

    def __call__(self) -> datetime:
        """The time now."""
        if self._let_go is None:
            return self.at
        return self.at + timedelta(seconds=time.monotonic() - self._let_go)

    def stand_at(self, text: str) -> None:
        """Stand at an instant, never an earlier one than before."""
        self.at = max(self.at, datetime.fromisoformat(text))

    def let_go(self, at: datetime) -> None:
        """Run on from ``at``."""
        self.at, self._let_go = at, time.monotonic()


class Refused(Exception):
    """The service did not take a step that the scenario counts on."""


class Player:
    """A client of the service that speaks for everybody in the scenario."""

    def __init__(self, client: httpx.Client, clock: ScenarioClock) -> None:
        self.client = client
        self.clock = clock
        self.numbers: dict[str, str] = {}
        self.events: dict[str, str] = {}
        self._tokens: dict[str, tuple[datetime, str]] = {}

    def play(self, steps: Iterable[Step], progress: Callable[[int, int], None]) -> None:
        """All steps, in the order in which they were told."""
        ordered = sorted(steps, key=lambda step: datetime.fromisoformat(step.told))
        for done, step in enumerate(ordered, start=1):
            self.clock.stand_at(step.told)
            if isinstance(step, Fact):
                self.tell(step)
            elif isinstance(step, Table):
                self.send(step)
            else:
                made = self.post(step.who, step.path, step.body)
                if step.name:
                    self.numbers[step.name] = made["code"]
            progress(done, len(ordered))

    # ----------------------------------------------------------------------------------------------------- requests
    def token(self, who: str) -> str:
        """A token of the person that still holds at the scenario's time."""
        since, token = self._tokens.get(who, (datetime.min.replace(tzinfo=UTC), ""))
        if self.clock() - since > timedelta(minutes=10):
            form = {"grant_type": "password", "username": who, "password": PASSWORD}
            token = self._checked(self.client.post("/v1/token", data=form))["access_token"]
            self._tokens[who] = (self.clock(), token)
        return token

    def get(self, who: str, path: str, **params: Any) -> Any:
        """The answer to a question."""
        headers = {"Authorization": f"Bearer {self.token(who)}"}
        return self._checked(self.client.get(path, params=params, headers=headers))

    def post(self, who: str, path: str, body: Any) -> Any:
        """The answer to a command; names of the scenario in it become numbers and ids."""
        headers = {"Authorization": f"Bearer {self.token(who)}"}
        path = re.sub(r"\{([^}]+)\}", lambda found: self.named(found[1]), path)
        return self._checked(self.client.post(path, json=self._named_in(body), headers=headers))

    def send(self, table: Table) -> Any:
        """The answer to a file of readings."""
        headers = {"Authorization": f"Bearer {self.token(table.who)}", "Content-Type": "text/csv"}
        return self._checked(self.client.post(table.path, content=table.content, headers=headers))

    def refused(self, who: str, path: str, body: Any) -> tuple[int, Any]:
        """The status and the problem that a command is answered with; it changes nothing."""
        headers = {"Authorization": f"Bearer {self.token(who)}"}
        answer = self.client.post(path, json=body, headers=headers)
        return answer.status_code, answer.json()

    def tell(self, fact: Fact) -> None:
        """One fact, as often as it arrived."""
        body: dict[str, Any] = {"fact": self.fact(fact)}
        if fact.device_now:
            body |= {"device": f"phone of {fact.who}", "device_now": fact.device_now}
        for _ in range(fact.times):
            self.post(fact.who, "/v1/events", body)

    def fact(self, fact: Fact) -> dict[str, Any]:
        """A fact as the service takes it."""
        event_id = self._new_id()
        if fact.name:
            self.events[fact.name] = event_id
        subjects = [self.seen(name) for name in fact.subjects]
        when = {"raw": fact.happened, "source": fact.source}
        told = {"id": event_id, "kind": fact.kind, "time": when, "acting_for": fact.acting_for}
        if not fact.amends:
            return {**told, "subjects": subjects, "body": fact.body}
        replacement = {"kind": fact.kind, "subjects": subjects, "time": when, "body": self._named_in(fact.body)}
        content = {"expected": None, "because": fact.because, "replacement": replacement}
        return {**told, "kind": "amended", "amends": self.events[fact.amends], "body": content}

    # -------------------------------------------------------------------------------------------------------- naming
    def named(self, name: str) -> str:
        """The number behind a name of the scenario."""
        return self.numbers.get(name, name)

    def seen(self, name: str) -> str:
        """A subject as it is seen: ``P:BRM-0018`` is the scanned first print of that label."""
        if name.startswith("P:"):
            return f"{self.named(name[2:]).replace('-', '')}.1"
        return self.named(name)

    def _named_in(self, body: Any) -> Any:
        if isinstance(body, dict):
            return {key: self._named_in(value) for key, value in body.items()}
        if isinstance(body, list):
            return [self._named_in(value) for value in body]
        if isinstance(body, str) and body.startswith("#"):
            return self.events[body[1:]]
        return self.seen(body) if isinstance(body, str) and body in self.numbers else body

    def _new_id(self) -> str:
        """A UUID of version 7 (RFC 9562) at the scenario's time."""
        ms = int(self.clock().timestamp() * 1000)
        random = uuid.uuid4().int & ((1 << 62) - 1)
        return str(uuid.UUID(int=ms << 80 | 0x7 << 76 | (uuid.uuid4().int & 0xFFF) << 64 | 0x2 << 62 | random))

    @staticmethod
    def _checked(response: httpx.Response) -> Any:
        if response.is_error:
            said = response.request.read().decode()[:600]
            raise Refused(f"{response.request.method} {response.request.url.path} {said}\n{response.text}")
        return response.json()
