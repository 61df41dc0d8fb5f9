"""The overview and the page of each train, and the same as JSON. They only read."""

from dataclasses import asdict
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse

from daemon.page import views
from daemon.page.context import PageContext
from daemon.page.news import news, version

RANGES = (7, 30, 90, 365)
Days = Literal["7", "30", "90", "365"]


def routes(context: PageContext) -> APIRouter:
    """The routes of what is watched."""
    router = APIRouter()
    plant, source = context.plant, context.source

    @router.get("/", response_class=HTMLResponse)
    def overview_page(request: Request) -> HTMLResponse:
        view = views.overview(plant, source, context.now())
        return context.html("overview.html", request=request, view=view, version=version(view))

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
            version=version(view),
            links=context.links.of_train(plant.train(train_id)),
        )

    @router.get("/api/overview")
    def overviewnews() -> JSONResponse:
        return news(views.overview(plant, source, context.now()))

    @router.get("/api/train/{train_id}")
    def trainnews(train_id: str) -> JSONResponse:
        return news(views.train_page(plant, source, context.known(train_id), context.now()))

    @router.get("/api/train/{train_id}/trends")
    def trendsnews(train_id: str, days: Days = "30") -> JSONResponse:
        known = context.known(train_id)
        return JSONResponse(
            asdict(views.train_trends(plant, source, known, int(days), context.now()))
        )

    return router
