"""One write to an InfluxDB v2 compatible server, and what its answer means for what was sent.

influxdb-client's synchronous writer, with lines made by us and gzip. Its batching mode keeps lines in
memory only and gives up after minutes: never use it here.
"""

import math
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime
from enum import Enum
from typing import Any, Protocol

from daemon.plantfile.problems import without_secrets
from daemon.plantfile.result import Forward

_LONGEST_WORDS = 300


class Answer(Enum):
    """What a server's answer means."""

    TAKEN = "taken"
    BAD_LINE = "a line cannot be read"
    BAD_VALUE = "a line is refused for what it says"
    TOO_LARGE = "too large"
    SLOW = "no answer in time"
    LATER = "busy or in trouble"
    GONE = "not reached"
    NEEDS_PERSON = "needs a person"


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to one write.

    error : what went wrong, without secrets. retry_after_s : how long the server asks to wait.
    """

    answer: Answer
    error: str = ""
    retry_after_s: float | None = None


class LineWriter(Protocol):
    """Writes lines to a server; blocks until it knows the outcome."""

    def write(self, lines: bytes) -> Reply: ...
    def close(self) -> None: ...


def judge(status: int, asked_to_wait: bool) -> Answer:
    """What a status means. Source: InfluxDB 2 API reference, POST /api/v2/write; RFC 9110; RFC 6585."""
    if status == 204:
        return Answer.TAKEN
    if status == 400:
        return Answer.BAD_LINE
    if status == 422:
        return Answer.BAD_VALUE
    if status == 413:
        return Answer.TOO_LARGE
    if status in (502, 503, 504) and not asked_to_wait:
        # What a proxy says of a server that has died; one that is busy says when to come back.
        return Answer.GONE
    if status in (408, 425, 429) or status >= 500:
        return Answer.LATER
    # Also 200: a web page that accepts anything, but no such server says so.
    return Answer.NEEDS_PERSON


def retry_after_s(headers: Any) -> float | None:
    """Seconds that the server asks to wait, given as a number or as a date beside its own date."""
    text = (headers.get("Retry-After") or "").strip()
    if not text:
        return None
    try:
        seconds = float(text)
    except ValueError:
        try:
            until: datetime = parsedate_to_datetime(text)
            seconds = (until - parsedate_to_datetime(headers.get("Date") or "")).total_seconds()
        except (ValueError, TypeError):
            return None  # unreadable, or no date to measure from: our own pause holds
    return max(0.0, seconds) if math.isfinite(seconds) else None


class InfluxWriter:
    """Writes to the target of the plant file.

    connect_s, answer_s : deadlines for connecting, and for each wait for the server.
    """

    def __init__(self, target: Forward, *, connect_s: float = 5.0, answer_s: float = 15.0) -> None:
        # Imported when used: it takes a second on a gateway, and most plants forward nothing.
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._target = target
        self._client = InfluxDBClient(
            url=target.url,
            token=target.token,
            org=target.org,
            timeout=(round(connect_s * 1000), round(answer_s * 1000)),
            enable_gzip=True,
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: bytes) -> Reply:
        """Send lines once; never raises for what a server or a network may do."""
        from influxdb_client.rest import ApiException
        from urllib3 import exceptions

        try:
            self._api.write(
                self._target.bucket,
                self._target.org,
                lines,
                write_precision="s",  # type: ignore[arg-type]  # its constants are plain texts
            )
        except ApiException as error:
            return self._reply(
                error.status, error.headers or {}, f"{error.message or error.reason}"
            )
        except exceptions.SSLError as error:
            return Reply(Answer.NEEDS_PERSON, self._words(f"no trusted connection: {error}"))
        except exceptions.ReadTimeoutError as error:
            return Reply(Answer.SLOW, self._words(str(error)))
        except exceptions.HTTPError as error:
            return Reply(Answer.GONE, self._words(str(error)))
        except ValueError:
            # http.client's refusal of a header; its words would show the token.
            return Reply(
                Answer.NEEDS_PERSON,
                "the token holds characters that cannot be sent; write it again on one line",
            )
        answered = self._client.api_client.last_response
        return self._reply(answered.status, {}, "this is no answer to a write: check the address")

    def _reply(self, status: int, headers: Any, words: str) -> Reply:
        wait_s = retry_after_s(headers)
        answer = judge(status, wait_s is not None)
        if answer is Answer.TAKEN:
            return Reply(answer)
        return Reply(answer, self._words(f"answered {status}: {words}"), wait_s)

    def _words(self, text: str) -> str:
        if self._target.token:
            text = text.replace(self._target.token, "***")
        text = " ".join(without_secrets(text).split())[:_LONGEST_WORDS]
        return f"{without_secrets(self._target.url)}: {text}"

    def close(self) -> None:
        """Close the connections; safe to call twice."""
        self._api.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]
