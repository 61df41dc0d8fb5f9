"""Work packs on the page: the same as on paper, to be looked at and printed from the browser."""

from dataclasses import asdict
from urllib.parse import quote, urlencode

from fastapi import APIRouter, HTTPException
from fastapi.responses import HTMLResponse, JSONResponse

from daemon.page.context import PageContext
from daemon.workpack import JOB_OF_ACTION, WorkPackError, order, pack, situation
from daemon.workpack.model import WHO, Pack


def routes(context: PageContext) -> APIRouter:
    """The routes of work packs."""
    router = APIRouter()

    def made(
        train_id: str,
        job: str | None,
        stage: int | None,
        vessel: str | None,
        position: str | None,
        notice: str | None,
        solution: str | None,
    ) -> Pack:
        train = context.plant.train(context.known(train_id))
        found = None if notice is None else context.record.notice(notice)
        if notice is not None and found is None:
            raise HTTPException(404, f"There is no notice {notice!r} here.")
        try:
            asked = order(
                context.plant,
                train,
                job=job,
                stage=stage,
                vessel=vessel,
                position=position,
                notice=found,
                solution=solution,
            )
            return pack(asked, situation(train, context.history, context.now()))
        except WorkPackError as error:
            said = str(error)
            raise HTTPException(422, f"{said[0].upper()}{said[1:]}.") from error

    @router.get("/train/{train_id}/workpack", response_class=HTMLResponse)
    def workpack_page(
        train_id: str,
        job: str | None = None,
        stage: int | None = None,
        vessel: str | None = None,
        position: str | None = None,
        notice: str | None = None,
        solution: str | None = None,
    ) -> HTMLResponse:
        found = made(train_id, job, stage, vessel, position, notice, solution)
        back = f"/train/{quote(train_id, safe='')}" + (f"#{quote(notice)}" if notice else "")
        return context.html("workpack.html", pack=found, style="", back=back, who_words=WHO)

    @router.get("/api/train/{train_id}/workpack")
    def workpack_json(
        train_id: str,
        job: str | None = None,
        stage: int | None = None,
        vessel: str | None = None,
        position: str | None = None,
        notice: str | None = None,
        solution: str | None = None,
    ) -> JSONResponse:
        return JSONResponse(asdict(made(train_id, job, stage, vessel, position, notice, solution)))

    return router


def workpack_link(train_id: str, notice_id: str, action: str) -> str:
    """Where the work pack of a notice is, or "" when its action needs none."""
    if action not in JOB_OF_ACTION:
        return ""
    return f"/train/{quote(train_id, safe='')}/workpack?{urlencode({'notice': notice_id})}"
