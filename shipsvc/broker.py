"""A subscription at an MQTT broker (version 3.1.1, OASIS), acknowledged only once what came is stored."""

from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any
from urllib.parse import unquote, urlsplit

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from shipsvc.domain import errors

#: Seconds between signs of life.
KEEPALIVE_S = 60
PORTS = {"mqtt": 1883, "mqtts": 8883}
#: What stands for one level of a topic, in the pattern and at the broker.
LEVEL = "{source}"


@dataclass(frozen=True)
class Message:
    """What came: of which source, by its topic, and what it is to be acknowledged by."""

    source: str
    payload: bytes
    mark: tuple[int, int]


@dataclass(frozen=True)
class Pattern:
    """Topics that are listened to; one level of them is the code of the source, written ``{source}``."""

    text: str

    def __post_init__(self) -> None:
        levels = self.text.split("/")
        if levels.count(LEVEL) != 1 or "#" in self.text:
            raise errors.Malformed(why=f"a topic names the source in one level, such as shipsvc/{LEVEL}/senml")

    @property
    def filter(self) -> str:
        """The topic filter (section 4.7): any source."""
        return self.text.replace(LEVEL, "+")

    def source(self, topic: str) -> str:
        """The code of the source in a topic that fits, in capitals."""
        return topic.split("/")[self.text.split("/").index(LEVEL)].upper()


class Subscription:
    """Messages of the topics that fit, each at least once (QoS 1); the session outlives a broken connection, so that
    what came meanwhile is delivered then. ``said`` is told of connections that come and go."""

    def __init__(self, broker: str, pattern: Pattern, name: str, said: Callable[[str], None]) -> None:
        parts = urlsplit(broker)
        if parts.scheme not in PORTS or not parts.hostname:
            raise errors.Malformed(why=f"{broker[:60]!r} is no broker. Write mqtt://host or mqtts://user@host:port.")
        self._pattern, self._said = pattern, said
        self._arrived: SimpleQueue[Message] = SimpleQueue()
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            name,
            clean_session=False,
            protocol=MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
        )
        if parts.username:
            self._client.username_pw_set(unquote(parts.username), unquote(parts.password or "") or None)
        if parts.scheme == "mqtts":
            self._client.tls_set()
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._lost
        self._client.on_message = self._came
        self._at = parts.hostname, parts.port or PORTS[parts.scheme]

    def __enter__(self) -> "Subscription":
        try:
            self._client.connect(*self._at, keepalive=KEEPALIVE_S)
        except OSError as error:
            raise errors.Away(what=f"The broker at {self._at[0]}:{self._at[1]} ({error})") from None
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def next(self, wait_s: float) -> Message | None:
        """The next message, or None where none came in time."""
        try:
            return self._arrived.get(timeout=max(0.0, wait_s))
        except Empty:
            return None

    def acknowledge(self, mark: tuple[int, int]) -> None:
        """Tell the broker that a message is stored: it is not sent again."""
        self._client.ack(*mark)

    def _connected(self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._said(f"The broker refuses: {reason}")
            return
        client.subscribe(self._pattern.filter, qos=1)
        self._said(f"Listening to {self._pattern.filter}")

    def _lost(self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._said(f"The connection to the broker is gone ({reason}); trying again")

    def _came(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        mark = (message.mid, message.qos)
        self._arrived.put(Message(self._pattern.source(message.topic), bytes(message.payload), mark))
