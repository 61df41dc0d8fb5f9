"""Asking the panel of a served plant.

Errors: Refusal with the panel's words; NotReached when no panel answers.
"""

import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from typing import Any

ANSWER_S = 60.0


class Refusal(Exception):
    """The panel would not do it; the text is its answer."""


class NotReached(Exception):
    """The panel did not answer; the text names its address."""


def call(
    url: str, path: str, *, body: Mapping[str, Any] | None = None, query: str = ""
) -> dict[str, Any]:
    """Ask a panel: GET without a body, POST with one. Raises Refusal with its words, or NotReached."""
    address = f"{url.rstrip('/')}/{path}" + (f"?{query}" if query else "")
    if urllib.parse.urlsplit(address).scheme != "http":
        raise Refusal(f"{url!r} is not the address of a panel; write it as http://127.0.0.1:PORT")
    request = urllib.request.Request(
        address,
        data=None if body is None else json.dumps(body).encode(),
        headers={"Content-Type": "application/json"},
    )
    # A proxy of the environment has no business between this machine and itself.
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(request, timeout=ANSWER_S) as answer:
            return _object(address, answer.read())
    except urllib.error.HTTPError as exc:
        with exc:
            words = _object(address, exc.read()).get("error")
        raise Refusal(str(words)) from exc
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "reason", exc)
        raise NotReached(
            f"{url}: no answer ({reason}); the ready line of a simulator started with "
            "--control-port names its port"
        ) from exc


def _object(address: str, text: bytes) -> dict[str, Any]:
    try:
        answer = json.loads(text)
    except ValueError as exc:
        raise NotReached(f"{address}: this is not the panel of a simulator") from exc
    if not isinstance(answer, dict):
        raise NotReached(f"{address}: this is not the panel of a simulator")
    return answer
