"""What every page of the application shares: the stores, plant time, the templates, and who may write."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from fastapi import HTTPException
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from daemon.clock import Clock
from daemon.history_reader import HistoryReader
from daemon.page.access import Access
from daemon.page.source import Source
from daemon.plantfile.result import Plant, TrainConfig
from daemon.record import Record
from daemon.rows import Notice


@dataclass(frozen=True, slots=True)
class Link:
    """A way to another page."""

    title: str
    path: str


class Links:
    """Ways from a notice and from a train to the pages of the features.

    Each `routes(context)` says which links its feature offers, so a link never leads to a page that
    is not there.
    """

    def __init__(self) -> None:
        self._notice: list[Callable[[Notice], Iterable[Link]]] = []
        self._train: list[Callable[[TrainConfig], Iterable[Link]]] = []

    def for_notices(self, offer: Callable[[Notice], Iterable[Link]]) -> None:
        """Let `offer` say what there is to open for a notice."""
        self._notice.append(offer)

    def for_trains(self, offer: Callable[[TrainConfig], Iterable[Link]]) -> None:
        """Let `offer` say what there is to open for a train."""
        self._train.append(offer)

    def of_notice(self, notice: Notice) -> tuple[Link, ...]:
        """In the order of the features."""
        return tuple(link for offer in self._notice for link in offer(notice))

    def of_train(self, train: TrainConfig) -> tuple[Link, ...]:
        """In the order of the features."""
        return tuple(link for offer in self._train for link in offer(train))


@dataclass(frozen=True, slots=True)
class PageContext:
    """Given to each `routes(context)`; may be used from any thread.

    record : for reading, and for writing on behalf of a `Writer`.
    links : where each feature says from where its pages are reached.
    """

    plant: Plant
    record: Record
    history: HistoryReader
    source: Source
    clock: Clock
    pages: Environment
    access: Access
    links: Links = field(default_factory=Links)

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
