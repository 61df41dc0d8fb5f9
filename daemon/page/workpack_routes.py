"""Work packs on the page: what is asked for, and the same pack as on paper, to print from the browser."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse

from daemon import words, workpack
from daemon.page.context import Link, PageContext
from daemon.plantfile.result import TrainConfig
from daemon.rows import Notice
from daemon.workpack import WorkPackError
from daemon.workpack.clean import SOLUTIONS
from daemon.workpack.model import WHO, Pack

ASKED = ("job", "stage", "vessel", "position", "notice", "solution")
"""What the address may say; an empty value is one that was left out of the form."""


def _asked(request: Request) -> dict[str, str]:
    return {
        key: value.strip() for key in ASKED if (value := request.query_params.get(key, "")).strip()
    }


Asked = Annotated[dict[str, str], Depends(_asked)]


def routes(context: PageContext) -> APIRouter:
    """The routes of work packs."""
    router = APIRouter()

    def of_notice(notice: Notice) -> Iterable[Link]:
        job = workpack.JOB_OF_ACTION.get(notice.action)
        if job is not None and notice.id is not None:
            yield Link("Work pack", address(notice.train, {"notice": notice.id}))

    def of_train(train: TrainConfig) -> Iterable[Link]:
        yield Link("Work packs", address(train.id, {}))

    context.links.for_notices(of_notice)
    context.links.for_trains(of_train)

    def made(train: TrainConfig, asked: Mapping[str, str]) -> Pack:
        """Raises WorkPackError."""
        notice = context.record.notice(asked["notice"]) if "notice" in asked else None
        if "notice" in asked and notice is None:
            raise HTTPException(404, f"There is no notice {asked['notice']!r} here.")
        stage = asked.get("stage")
        if stage is not None and not (stage.isascii() and stage.isdigit()):
            raise WorkPackError(f"stage {stage} is not a number")
        order = workpack.order(
            context.plant,
            train,
            job=asked.get("job"),
            stage=None if stage is None else int(stage),
            vessel=asked.get("vessel"),
            position=asked.get("position"),
            notice=notice,
            solution=asked.get("solution"),
        )
        known = workpack.situation(
            context.plant,
            train,
            history=context.history,
            record=context.record,
            now=context.now(),
        )
        return workpack.pack(order, known)

    @router.get("/train/{train_id}/workpack", response_class=HTMLResponse)
    def page(request: Request, train_id: str, asked: Asked) -> HTMLResponse:
        train = context.plant.train(context.known(train_id))
        said = ""
        if asked:
            try:
                found = made(train, asked)
            except WorkPackError as error:
                said = sentence(error)
            else:
                back = f"/train/{quote(train_id, safe='')}"
                return context.html("workpack.html", pack=found, style="", back=back, who_words=WHO)
        return context.html(
            "workpack_ask.html",
            422 if said else 200,
            request=request,
            train=train,
            label=words.train_label(train.id, train.name),
            asked=asked,
            said=said,
            jobs=workpack.TITLES,
            solutions=SOLUTIONS,
        )

    @router.get("/api/train/{train_id}/workpack")
    def page_json(train_id: str, asked: Asked) -> JSONResponse:
        train = context.plant.train(context.known(train_id))
        try:
            return JSONResponse(asdict(made(train, asked)))
        except WorkPackError as error:
            raise HTTPException(422, sentence(error)) from error

    return router


def address(train_id: str, asked: Mapping[str, str]) -> str:
    """Where the page of a work pack is."""
    path = f"/train/{quote(train_id, safe='')}/workpack"
    return f"{path}?{urlencode(asked)}" if asked else path


def sentence(error: WorkPackError) -> str:
    """What is wrong, as a sentence."""
    said = str(error)
    return f"{said[0].upper()}{said[1:]}."
