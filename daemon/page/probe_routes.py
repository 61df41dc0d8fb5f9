"""The pages of a probe: fields, picture and answer, the sheet to print, the answer as JSON."""

from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from daemon import survey as surveys
from daemon import survey_record
from daemon.page import probeview, samplingpage
from daemon.page.access import Writer
from daemon.page.context import Link, PageContext
from daemon.page.probeview import ProbeView
from daemon.page.samplingpage import SETTINGS, NotSaved
from daemon.plantfile import TrainConfig
from daemon.sheets_reader import number_of
from daemon.survey_record import Sampling


def routes(context: PageContext) -> APIRouter:
    """The routes of the probe pages."""
    router = APIRouter()
    access = context.access

    def place(train_id: str, vessel: str) -> tuple[TrainConfig, int, str]:
        train = context.plant.train(context.known(train_id))
        found = surveys.vessel_name(vessel)
        if found is not None and 1 <= found[0] <= len(train.stages):
            every = surveys.names(train, found[0])
            if 1 <= found[1] <= len(every):
                return train, found[0], every[found[1] - 1]
        last = surveys.names(train, len(train.stages))[-1]
        raise HTTPException(
            404, f"Train {train.id} has no vessel {vessel!r}; its vessels are 1-01 to {last}."
        )

    def shown(
        request: Request,
        train: TrainConfig,
        stage: int,
        vessel: str,
        sheet: Sampling | None,
        *,
        status: int = 200,
        said: str = "",
        typed: tuple[str, str, str] | None = None,
    ) -> HTMLResponse:
        view = probeview.probe_view(
            context,
            train,
            stage,
            vessel,
            sheet,
            signed_in=bool(access.signed_in(request)),
            said=said,
            typed=typed,
        )
        return context.html(
            "probe.html",
            status,
            request=request,
            view=view,
            settings=SETTINGS,
            jobs=jobs(train.id, view),
        )

    def jobs(train: str, view: ProbeView) -> list[Link]:
        """Work packs of the probe and of what it found."""
        address = f"/train/{train}/workpack"
        found = view.answer
        ways = []
        if found is not None and found.decided and found.where is not None:
            position = found.where.removesuffix(" adapter").rpartition("/")[2]
            asked = urlencode({"job": "element", "vessel": view.vessel, "position": position})
            ways.append(Link("Work pack of the repair", f"{address}?{asked}"))
        asked = urlencode({"job": "probe", "vessel": view.vessel})
        return [*ways, Link("Work pack of the probe", f"{address}?{asked}")]

    @router.get("/train/{train_id}/probe/{vessel}", response_class=HTMLResponse)
    def page(request: Request, train_id: str, vessel: str, n: int | None = None) -> HTMLResponse:
        train, stage, name = place(train_id, vessel)
        sheet = samplingpage.found(context, "probe", train.id, name, n)
        if n is not None and sheet is None:
            raise HTTPException(404, f"There is no probe {n} of vessel {name} of train {train.id}.")
        return shown(request, train, stage, name, sheet)

    @router.get("/train/{train_id}/probe/{vessel}/sheet", response_class=HTMLResponse)
    def sheet_page(
        train_id: str,
        vessel: str,
        half: Literal["yes", "no"] = "yes",
        end: Literal["concentrate", "feed"] = "concentrate",
    ) -> HTMLResponse:
        train, stage, name = place(train_id, vessel)
        sheet = probeview.sheet_view(context, train, stage, name, half_steps=half == "yes", end=end)
        return context.html("probe_sheet.html", sheet=sheet)

    @router.get("/api/train/{train_id}/probe/{vessel}")
    def answer(train_id: str, vessel: str) -> JSONResponse:
        train, stage, name = place(train_id, vessel)
        sheet = samplingpage.found(context, "probe", train.id, name, None)
        found, why, _ = probeview.judged(context, train, stage, name, sheet)
        if found is None:
            raise HTTPException(404, why or f"No probe of vessel {name} of train {train.id} yet.")
        return JSONResponse(found.to_json())

    @router.post("/train/{train_id}/probe/{vessel}/reading")
    def reading(
        request: Request,
        train_id: str,
        vessel: str,
        writer: Annotated[Writer, Depends(access.writer)],
    ) -> Response:
        train, stage, name = place(train_id, vessel)
        form = writer.form
        at = form.text("place")
        sheet = samplingpage.the_open(context, "probe", train.id, name, writer.name)
        try:
            distance = number_of(at)
            if distance is None:
                raise NotSaved("At which distance from the port, in mm?")
            length = samplingpage.tube(train, stage, "concentrate").length_mm
            if not 0.0 <= distance <= length:
                raise NotSaved(
                    f"{distance:g} mm is outside the tube, which is 0 to {length:.0f} mm from the port."
                    " Is it in mm?"
                )
            key = f"{distance:g}"
            samplingpage.save(context, sheet, key, f"{distance:.0f} mm", form, writer.name)
        except NotSaved as error:
            typed = (at, form.text("value"), form.text("temperature"))
            return shown(
                request, train, stage, name, sheet, status=422, said=str(error), typed=typed
            )
        following = form.text("next")
        anchor = f"#d{following}" if number_of(following) is not None else ""
        return RedirectResponse(f"/train/{train.id}/probe/{name}{anchor}", status_code=303)

    @router.post("/train/{train_id}/probe/{vessel}/meter")
    def meter(
        request: Request,
        train_id: str,
        vessel: str,
        writer: Annotated[Writer, Depends(access.writer)],
    ) -> Response:
        train, stage, name = place(train_id, vessel)
        sheet = samplingpage.the_open(context, "probe", train.id, name, writer.name)
        try:
            samplingpage.set_meter(context, sheet, writer.form)
        except NotSaved as error:
            return shown(request, train, stage, name, sheet, status=422, said=str(error))
        return RedirectResponse(f"/train/{train.id}/probe/{name}", status_code=303)

    @router.post("/train/{train_id}/probe/{vessel}/finish")
    def finish(
        request: Request,
        train_id: str,
        vessel: str,
        writer: Annotated[Writer, Depends(access.writer)],
    ) -> Response:
        train, stage, name = place(train_id, vessel)
        sheet = survey_record.opened(context.record, "probe", train.id, name)
        if sheet is not None:
            found, why, known = probeview.judged(context, train, stage, name, sheet)
            if found is None:
                said = why or "There is nothing to finish yet: nothing has been read."
                return shown(request, train, stage, name, sheet, status=422, said=said)
            samplingpage.close(context, sheet, found.to_json(), known)
        return RedirectResponse(f"/train/{train.id}/probe/{name}", status_code=303)

    @router.post("/train/{train_id}/probe/{vessel}/again")
    def again(
        train_id: str, vessel: str, writer: Annotated[Writer, Depends(access.writer)]
    ) -> Response:
        train, _, name = place(train_id, vessel)
        samplingpage.reopen(context, "probe", train.id, name, writer.form)
        return RedirectResponse(f"/train/{train.id}/probe/{name}", status_code=303)

    @router.post("/train/{train_id}/probe/{vessel}/new")
    def new(
        train_id: str, vessel: str, writer: Annotated[Writer, Depends(access.writer)]
    ) -> Response:
        train, _, name = place(train_id, vessel)
        samplingpage.the_open(context, "probe", train.id, name, writer.name)
        return RedirectResponse(f"/train/{train.id}/probe/{name}", status_code=303)

    return router
