"""What an open page asks for every few seconds: whether it would look different by now."""

import hashlib
import json
from dataclasses import asdict
from typing import Any, ClassVar, Protocol

from fastapi.responses import JSONResponse

PASSING = frozenset({"now", "now_iso", "now_text", "age", "reading_age"})


class View(Protocol):
    """A frozen dataclass with everything that a page shows, and the plant time it was made at."""

    __dataclass_fields__: ClassVar[dict[str, Any]]

    @property
    def now(self) -> float: ...
    @property
    def now_iso(self) -> str: ...
    @property
    def now_text(self) -> str: ...


def version(view: View) -> str:
    """Changes when the page would look different; ages and the clock do not count."""
    text = json.dumps(_without_time(asdict(view)), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def news(view: View) -> JSONResponse:
    """The view as JSON with its version."""
    return JSONResponse({"version": version(view), **asdict(view)})


def _without_time(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_time(v) for k, v in value.items() if k not in PASSING}
    return [_without_time(v) for v in value] if isinstance(value, (list, tuple)) else value
