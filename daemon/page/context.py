"""What every page of the application shares: the stores, plant time, the templates, and who may write."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import HTTPException
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from daemon.clock import Clock
from daemon.history_reader import HistoryReader
from daemon.page.access import Access
from daemon.page.source import Source
from daemon.plantfile.result import Plant
from daemon.record import Record


@dataclass(frozen=True, slots=True)
class PageContext:
    """Given to each `routes(context)`; may be used from any thread.

    record : for reading, and for writing on behalf of a `Writer`.
    exists : whether the application answers at a path such as ``/survey/A/1``; a link to a page is
        shown only when it does.
    """

    plant: Plant
    record: Record
    history: HistoryReader
    source: Source
    clock: Clock
    pages: Environment
    access: Access
    exists: Callable[[str], bool]

    def now(self) -> float:
        """Plant time. [s since 1970-01-01 UTC]"""
        return self.clock.now().timestamp()

    def html(self, name: str, /, status: int = 200, **values: Any) -> HTMLResponse:
        """A template as an answer. Give it `request=request` where the page shows who is signed in or has a form."""
        return HTMLResponse(self.pages.get_template(name).render(**values), status_code=status)

    def known(self, train_id: str) -> str:
        """The id of a train that there is; answers 404 otherwise."""
        if train_id not in [train.id for train in self.plant.trains]:
            names = ", ".join(train.id for train in self.plant.trains)
            raise HTTPException(404, f"There is no train {train_id!r} here. Trains: {names}.")
        return train_id
