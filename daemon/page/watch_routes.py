"""The overview and the page of each train, and the same as JSON. They only read."""

import hashlib
import json
from dataclasses import asdict
from typing import Any, Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse

from daemon.page import views
from daemon.page.context import PageContext

RANGES = (7, 30, 90, 365)
Days = Literal["7", "30", "90", "365"]


def routes(context: PageContext) -> APIRouter:
    """The routes of what is watched."""
    router = APIRouter()
    plant, source = context.plant, context.source

    @router.get("/", response_class=HTMLResponse)
    def overview_page(request: Request) -> HTMLResponse:
        view = views.overview(plant, source, context.now())
        return context.html("overview.html", request=request, view=view, version=_version(view))

    @router.get("/train/{train_id}", response_class=HTMLResponse)
    def train_page(request: Request, train_id: str, days: Days = "30") -> HTMLResponse:
        at = context.now()
        view = views.train_page(plant, source, context.known(train_id), at)
        trends = views.train_trends(plant, source, train_id, int(days), at)
        return context.html(
            "train.html",
            request=request,
            view=view,
            trends=trends,
            version=_version(view),
            links=context.links.of_train(plant.train(train_id)),
        )

    @router.get("/api/overview")
    def overview_json() -> JSONResponse:
        return _json(views.overview(plant, source, context.now()))

    @router.get("/api/train/{train_id}")
    def train_json(train_id: str) -> JSONResponse:
        return _json(views.train_page(plant, source, context.known(train_id), context.now()))

    @router.get("/api/train/{train_id}/trends")
    def trends_json(train_id: str, days: Days = "30") -> JSONResponse:
        known = context.known(train_id)
        return JSONResponse(
            asdict(views.train_trends(plant, source, known, int(days), context.now()))
        )

    return router


def _version(view: views.Overview | views.TrainPage) -> str:
    """Changes when the page would look different; ages and the clock do not count."""
    text = json.dumps(_without_time(asdict(view)), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _without_time(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_time(v) for k, v in value.items() if k not in _PASSING}
    return [_without_time(v) for v in value] if isinstance(value, (list, tuple)) else value


_PASSING = frozenset({"now", "now_iso", "now_text", "age", "reading_age"})


def _json(view: views.Overview | views.TrainPage) -> JSONResponse:
    return JSONResponse({"version": _version(view), **asdict(view)})
