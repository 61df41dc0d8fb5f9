"""The pages of a survey: fields and answer, the sheet to print, the answer as JSON."""

from collections.abc import Iterator
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from daemon import survey as surveys
from daemon import survey_record
from daemon.page import samplingpage, surveyview
from daemon.page.access import Writer
from daemon.page.context import Link, PageContext
from daemon.page.samplingpage import SETTINGS, NotSaved
from daemon.plantfile import TrainConfig
from daemon.rows import Notice
from daemon.survey_record import Sampling


def routes(context: PageContext) -> APIRouter:
    """The routes of the survey pages."""
    router = APIRouter()
    access = context.access

    def of_train(train: TrainConfig) -> Iterator[Link]:
        for stage in range(1, len(train.stages) + 1):
            yield Link(f"Survey stage {stage}", f"/train/{train.id}/survey/{stage}")

    def of_notice(notice: Notice) -> Iterator[Link]:
        """The survey of the stage that a leak is looked for in, and probes of vessels that stood out there."""
        if notice.action != "probe":
            return
        train = context.plant.train(notice.train)
        stages = range(1, len(train.stages) + 1) if notice.stage is None else (notice.stage,)
        for stage in stages:
            yield Link(f"Survey stage {stage}", f"/train/{train.id}/survey/{stage}")
            for vessel in suspects_since(train.id, stage, notice.onset):
                yield Link(f"Probe {vessel}", f"/train/{train.id}/probe/{vessel}")

    def suspects_since(train: str, stage: int, onset: float | None) -> tuple[str, ...]:
        newest = survey_record.samplings(context.record, "survey", train, str(stage), limit=1)
        if not newest or newest[0].answer is None or newest[0].at < (onset or 0.0):
            return ()
        return tuple(newest[0].answer["suspects"])

    context.links.for_trains(of_train)
    context.links.for_notices(of_notice)

    def place(train_id: str, stage: int) -> TrainConfig:
        train = context.plant.train(context.known(train_id))
        if not 1 <= stage <= len(train.stages):
            raise HTTPException(404, f"Train {train.id} has stages 1 to {len(train.stages)}.")
        return train

    def shown(
        request: Request,
        train: TrainConfig,
        stage: int,
        sheet: Sampling | None,
        *,
        status: int = 200,
        said: str = "",
        typed: tuple[str, str, str] | None = None,
    ) -> HTMLResponse:
        view = surveyview.survey_view(
            context,
            train,
            stage,
            sheet,
            signed_in=bool(access.signed_in(request)),
            said=said,
            typed=typed,
        )
        return context.html("survey.html", status, request=request, view=view, settings=SETTINGS)

    @router.get("/train/{train_id}/survey/{stage}", response_class=HTMLResponse)
    def page(request: Request, train_id: str, stage: int, n: int | None = None) -> HTMLResponse:
        train = place(train_id, stage)
        sheet = samplingpage.found(context, "survey", train.id, str(stage), n)
        if n is not None and sheet is None:
            raise HTTPException(
                404, f"There is no survey {n} of stage {stage} of train {train.id}."
            )
        return shown(request, train, stage, sheet)

    @router.get("/train/{train_id}/survey/{stage}/sheet", response_class=HTMLResponse)
    def sheet_page(train_id: str, stage: int) -> HTMLResponse:
        train = place(train_id, stage)
        return context.html("survey_sheet.html", sheet=surveyview.sheet_view(context, train, stage))

    @router.get("/api/train/{train_id}/survey/{stage}")
    def answer(train_id: str, stage: int) -> JSONResponse:
        train = place(train_id, stage)
        sheet = samplingpage.found(context, "survey", train.id, str(stage), None)
        found, why, _ = surveyview.judged(context, train, stage, sheet)
        if found is None:
            raise HTTPException(404, why or f"No survey of stage {stage} of train {train.id} yet.")
        return JSONResponse(found.to_json())

    @router.post("/train/{train_id}/survey/{stage}/reading")
    def reading(
        request: Request,
        train_id: str,
        stage: int,
        writer: Annotated[Writer, Depends(access.writer)],
    ) -> Response:
        train = place(train_id, stage)
        form = writer.form
        vessel = form.text("place")
        every = surveys.names(train, stage)
        stops = (*every, surveyview.again(every))
        sheet = samplingpage.the_open(context, "survey", train.id, str(stage), writer.name)
        try:
            if vessel not in stops:
                raise NotSaved(f"{vessel or 'This'} is no vessel of stage {stage}.")
            samplingpage.save(context, sheet, vessel, vessel, form, writer.name)
        except NotSaved as error:
            typed = (vessel, form.text("value"), form.text("temperature"))
            return shown(request, train, stage, sheet, status=422, said=str(error), typed=typed)
        after = stops[(stops.index(vessel) + 1) % len(stops)].replace(" ", "-")
        return RedirectResponse(f"/train/{train.id}/survey/{stage}#v{after}", status_code=303)

    @router.post("/train/{train_id}/survey/{stage}/meter")
    def meter(
        request: Request,
        train_id: str,
        stage: int,
        writer: Annotated[Writer, Depends(access.writer)],
    ) -> Response:
        train = place(train_id, stage)
        sheet = samplingpage.the_open(context, "survey", train.id, str(stage), writer.name)
        try:
            samplingpage.set_meter(context, sheet, writer.form)
        except NotSaved as error:
            return shown(request, train, stage, sheet, status=422, said=str(error))
        return RedirectResponse(f"/train/{train.id}/survey/{stage}", status_code=303)

    @router.post("/train/{train_id}/survey/{stage}/finish")
    def finish(
        request: Request,
        train_id: str,
        stage: int,
        writer: Annotated[Writer, Depends(access.writer)],
    ) -> Response:
        train = place(train_id, stage)
        sheet = survey_record.opened(context.record, "survey", train.id, str(stage))
        if sheet is not None:
            found, why, known = surveyview.judged(context, train, stage, sheet)
            if found is None:
                said = why or "There is nothing to finish yet: no vessel has been read."
                return shown(request, train, stage, sheet, status=422, said=said)
            samplingpage.close(context, sheet, found.to_json(), known)
        return RedirectResponse(f"/train/{train.id}/survey/{stage}", status_code=303)

    @router.post("/train/{train_id}/survey/{stage}/again")
    def again(
        train_id: str, stage: int, writer: Annotated[Writer, Depends(access.writer)]
    ) -> Response:
        train = place(train_id, stage)
        samplingpage.reopen(context, "survey", train.id, str(stage), writer.form)
        return RedirectResponse(f"/train/{train.id}/survey/{stage}", status_code=303)

    @router.post("/train/{train_id}/survey/{stage}/new")
    def new(
        train_id: str, stage: int, writer: Annotated[Writer, Depends(access.writer)]
    ) -> Response:
        train = place(train_id, stage)
        samplingpage.the_open(context, "survey", train.id, str(stage), writer.name)
        return RedirectResponse(f"/train/{train.id}/survey/{stage}", status_code=303)

    return router
