"""Delivery: takes the outgoing messages that are due and hands them to apprise, each address by itself.

At least once: a message is marked sent after its receiver took it, so a kill in between sends it
once more, with the same key in its title. Each address has its own queue and its own backoff,
so that one dead mail server holds back nobody else. Nothing is given up: what fails is tried again,
and what needs a person says so in the record. Addresses hold passwords and are never written anywhere.
"""

import asyncio
import logging
import random
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import NoReturn, Protocol, TypeVar
from urllib.parse import parse_qsl, unquote, urlsplit

import apprise

from daemon.clock import Clock
from daemon.plantfile.result import Plant
from daemon.record import Record
from daemon.rows import Outgoing
from daemon.threads import in_thread

_log = logging.getLogger(__name__)
Address = tuple[str, int]  # name of the contact, position in its list of addresses
_Result = TypeVar("_Result")

REFUSED = (
    401,
    403,
    404,
    410,
)  # RFC 9110: who we are or where we knock is wrong; waiting cures neither
TOO_MANY = 429  # RFC 6585
PATIENCE = 10  # failures in a row after which somebody should look, whatever the reason
YIELD_AFTER = 3  # failures after which a message lets later ones pass
_SHORTEST_SECRET = 4


class Outcome(Enum):
    """What became of one attempt."""

    SENT = "sent"
    RETRY = "retry"
    RETRY_AFTER = "retry after a longer pause"
    NEEDS_PERSON = "needs a person"


@dataclass(frozen=True, slots=True)
class Attempt:
    """The outcome of one attempt, and what went wrong, without secrets."""

    outcome: Outcome
    error: str = ""


class Sender(Protocol):
    """Hands one message to one address."""

    async def __call__(self, message: Outgoing) -> Attempt: ...


def scheme(url: str) -> str:
    """What may be shown of an address."""
    kind, separator, _ = url.partition("://")
    return f"{kind}://***" if separator and kind.isalnum() else "***"


def redact(text: str, url: str) -> str:
    """`text` without any part of `url` that could be a secret: user, password, path and parameters."""
    parts = urlsplit(url)
    secrets = {url, parts.path, parts.query, parts.username, parts.password}
    secrets.update(parts.path.split("/"))
    secrets.update(value for _, value in parse_qsl(parts.query))
    secrets.update([unquote(s) for s in secrets if s])
    for secret in sorted((s for s in secrets if s), key=len, reverse=True):
        if len(secret) >= _SHORTEST_SECRET:
            text = text.replace(secret, "***")
    return text


def _service(url: str) -> apprise.Apprise | None:
    service = apprise.Apprise()
    return service if service.add(url) else None


def _prepare_library() -> None:
    """Load apprise's services, and keep its log out of ours: it may name addresses.

    Its words about a failure reach us by its results.
    """
    logging.getLogger("apprise").propagate = False
    with warnings.catch_warnings():
        # Some of its services import modules of the standard library that are to be removed.
        warnings.simplefilter("ignore", DeprecationWarning)
        apprise.Apprise.instantiate("json://127.0.0.1/")


def check_contacts(plant: Plant) -> list[str]:
    """What is wrong with the contacts' addresses, one line each; sends nothing."""
    _prepare_library()
    return [
        f'contact "{contact.name}", address {number} ({scheme(url)}): this address cannot be used;'
        f" compare its scheme and its parts with the list of services in apprise's documentation"
        for contact in plant.contacts
        for number, url in enumerate(contact.urls, 1)
        if _service(url) is None
    ]


class AppriseSender:
    """Sends by apprise, whose services run in threads of its own.

    deadline_s : wall time after which an attempt is taken for failed, though its thread may go on.
    """

    def __init__(self, plant: Plant, *, deadline_s: float = 60.0) -> None:
        _prepare_library()
        self._deadline_s = deadline_s
        self._urls: dict[Address, str] = {
            (contact.name, number): url
            for contact in plant.contacts
            for number, url in enumerate(contact.urls)
        }
        self._services: Mapping[Address, apprise.Apprise | None] = {
            address: _service(url) for address, url in self._urls.items()
        }

    async def __call__(self, message: Outgoing) -> Attempt:
        address = (message.contact, message.url)
        who = f'contact "{message.contact}", address {message.url + 1}'
        if address not in self._services:
            return Attempt(
                Outcome.NEEDS_PERSON, f"{who} is not in the plant file any more; put it back"
            )
        service = self._services[address]
        if service is None:
            return Attempt(
                Outcome.NEEDS_PERSON,
                f"{who} ({scheme(self._urls[address])}) cannot be used; correct it in the plant file",
            )
        try:
            async with asyncio.timeout(self._deadline_s):
                result = await service.async_notify(
                    title=message.title,
                    body=message.body,
                    body_format=apprise.NotifyFormat.TEXT,
                    notify_type=_kind(message),
                )
        except TimeoutError:
            return Attempt(Outcome.RETRY, f"{who}: no answer within {self._deadline_s:g} s")
        if result.status is apprise.AppriseResultStatus.SUCCESS:
            return Attempt(Outcome.SENT)
        if result.status is apprise.AppriseResultStatus.NOMATCH:
            return Attempt(Outcome.NEEDS_PERSON, f"{who}: apprise found nothing to send to")
        words = "; ".join(
            entry.message
            for service_result in result.results
            for entry in service_result.logs()
            if entry.level in ("WARNING", "ERROR", "CRITICAL")
        )
        error = redact(words or result.status.name.lower(), self._urls[address])
        return Attempt(_judge(words), f"{who}: {error}")


def _kind(message: Outgoing) -> apprise.NotifyType:
    if message.event == "cleared":
        return apprise.NotifyType.SUCCESS
    if message.notice_class == "alarm":
        return apprise.NotifyType.FAILURE
    return apprise.NotifyType.WARNING


def _judge(words: str) -> Outcome:
    codes = {int(code) for code in re.findall(r"error=(\d{3})\b", words)}
    if codes & set(REFUSED):
        return Outcome.NEEDS_PERSON
    return Outcome.RETRY_AFTER if TOO_MANY in codes else Outcome.RETRY


@dataclass(slots=True)
class _Channel:
    """The standing of one address. `next_try` is in monotonic time. [s]"""

    failures: int = 0
    next_try: float = float("-inf")
    busy: bool = False


class Delivery:
    """Sends what is due until it is cancelled.

    clock : plant time says what is due; backoff is in its monotonic time.
    first_s, longest_s : pause after the first failure of an address, and the longest one. [s]
    look_every_s : how often to look for what became due by time, or was written by another process. [s]
    """

    def __init__(
        self,
        record: Record,
        plant: Plant,
        clock: Clock,
        *,
        sender: Sender | None = None,
        first_s: float = 5.0,
        longest_s: float = 900.0,
        look_every_s: float = 5.0,
        chance: random.Random | None = None,
    ) -> None:
        if not 0 < first_s <= longest_s:
            raise ValueError(f"need 0 < first_s <= longest_s, got {first_s!r} and {longest_s!r}")
        if not look_every_s > 0:
            raise ValueError(f"look_every_s must be above 0 s, got {look_every_s!r}")
        self._record = record
        self._clock = clock
        self._send: Sender = sender or AppriseSender(plant)
        self._first_s = first_s
        self._longest_s = longest_s
        self._look_every_s = look_every_s
        self._chance = chance or random.Random()
        self._channels: dict[Address, _Channel] = {}
        self._wake = asyncio.Event()

    async def run(self) -> NoReturn:
        """Deliver until cancelled."""
        loop = asyncio.get_running_loop()

        def ring() -> None:
            # A loop that is closing has nobody left to wake.
            if not loop.is_closed():
                loop.call_soon_threadsafe(self._wake.set)

        stop_listening = self._record.listen(ring)
        try:
            async with asyncio.TaskGroup() as group:
                while True:
                    self._wake.clear()
                    pause_s = await self._start_due(group)
                    await self._wait(pause_s)
        finally:
            stop_listening()

    async def _start_due(self, group: asyncio.TaskGroup) -> float:
        """Start one task for each free address with due messages; returns how long to wait at most."""
        due = await in_thread(self._record.due, self._clock.now().timestamp())
        now = self._clock.monotonic()
        pause_s = self._look_every_s
        by_address: dict[Address, list[Outgoing]] = {}
        for message in due:
            by_address.setdefault((message.contact, message.url), []).append(message)
        for address, messages in by_address.items():
            channel = self._channels.setdefault(address, _Channel())
            if channel.busy:
                continue
            if channel.next_try > now:
                pause_s = min(pause_s, channel.next_try - now)
                # What never was tried does not wait for another message's backoff.
                messages = [message for message in messages if not message.attempts]
            if not messages:
                continue
            # A message that its receiver refuses again and again lets the others pass.
            message = min(messages, key=lambda m: (m.attempts // YIELD_AFTER, m.id))
            channel.busy = True
            group.create_task(
                self._deliver(channel, message), name=f"delivery to {address[0]}/{address[1] + 1}"
            )
        return pause_s

    async def _wait(self, pause_s: float) -> None:
        """Until something rings, or `pause_s` is over."""
        waits = [
            asyncio.create_task(self._wake.wait(), name="delivery: wait for messages"),
            asyncio.create_task(self._clock.sleep(pause_s), name="delivery: wait for time"),
        ]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
            await asyncio.gather(*waits, return_exceptions=True)

    async def _deliver(self, channel: _Channel, message: Outgoing) -> None:
        """One attempt at one message; the next one of the same address is chosen afresh."""
        try:
            if not await in_thread(self._record.begin_attempt, message.id):
                return
            attempt = await self._send(message)
            if attempt.outcome is Outcome.SENT:
                at = self._clock.now().timestamp()
                await in_thread(self._record.mark_sent, message.id, at)
                if channel.failures:
                    _log.warning("%s/%d: reached again", message.contact, message.url + 1)
                channel.failures = 0
                channel.next_try = float("-inf")
            else:
                await self._failed(channel, message, attempt)
        finally:
            channel.busy = False
            self._wake.set()

    async def _failed(self, channel: _Channel, message: Outgoing, attempt: Attempt) -> None:
        channel.failures += 1
        if channel.failures == 1:
            # A loss is logged once; the record counts the attempts.
            _log.warning("%s %s (%s)", message.key, attempt.error, attempt.outcome.value)
        needs_person = attempt.outcome is Outcome.NEEDS_PERSON or message.attempts + 1 >= PATIENCE
        pause_s = self.pause(channel.failures)
        if attempt.outcome is not Outcome.RETRY:
            pause_s = self._longest_s
        channel.next_try = self._clock.monotonic() + pause_s
        await in_thread(self._record.mark_failed, message.id, attempt.error, needs_person)

    def pause(self, failures: int) -> float:
        """Pause after so many failures in a row: doubling from `first_s`, capped, half of it by chance. [s]"""
        # The cap on the exponent keeps the power finite however long a server is away.
        longest = min(self._longest_s, self._first_s * 2.0 ** min(failures - 1, 30))
        return longest * self._chance.uniform(0.5, 1.0)
