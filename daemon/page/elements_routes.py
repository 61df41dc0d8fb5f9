"""The pages of the load map: the vessels of a train with their elements, and one vessel. As `brinelark elements`."""

from collections.abc import Iterable
from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse

from daemon.eventlog import AHEAD_S
from daemon.loadmap import SCRAPPED, SHELF, LoadMap, LoadMapError, positions, replacement
from daemon.loadmap_csv import LONGEST
from daemon.page.access import Form, Writer
from daemon.page.context import Link, PageContext
from daemon.page.elementsview import elements_view, file_text, vessel_view
from daemon.page.times import SiteTime
from daemon.plantfile.result import TrainConfig
from daemon.record import SubmittedTwice

NOTHING = Form([])


class Refused(Exception):
    """What was entered cannot be done; the text says why and what would do."""


def routes(context: PageContext) -> APIRouter:
    """The routes of the load map."""
    router = APIRouter()

    def offer(train: TrainConfig) -> Iterable[Link]:
        yield Link("Elements", f"/train/{train.id}/elements")

    context.links.for_trains(offer)

    def vessel_of(train_id: str, vessel: str) -> TrainConfig:
        train = context.plant.train(context.known(train_id))
        if f"{vessel}/1" not in positions(train):
            raise HTTPException(404, f"There is no vessel {vessel!r} in train {train.id}.")
        return train

    def shown(
        request: Request,
        train: TrainConfig,
        vessel: str,
        *,
        said: str = "",
        done: bool = False,
        form: Form = NOTHING,
        status: int = 200,
    ) -> HTMLResponse:
        view = vessel_view(context, train, vessel)
        return context.html(
            "vessel.html",
            status,
            request=request,
            view=view,
            said=said,
            done=done,
            form=form,
            longest=LONGEST,
        )

    @router.get("/train/{train_id}/elements", response_class=HTMLResponse)
    def page(request: Request, train_id: str) -> HTMLResponse:
        train = context.plant.train(context.known(train_id))
        return context.html("elements.html", request=request, view=elements_view(context, train))

    @router.get("/train/{train_id}/elements.csv")
    def file(train_id: str) -> PlainTextResponse:
        train = context.plant.train(context.known(train_id))
        name = f'attachment; filename="elements-{train.id}.csv"'
        return PlainTextResponse(
            file_text(context, train), media_type="text/csv", headers={"Content-Disposition": name}
        )

    @router.get("/train/{train_id}/elements/{vessel}", response_class=HTMLResponse)
    def vessel_page(
        request: Request, train_id: str, vessel: str, done: bool = False
    ) -> HTMLResponse:
        return shown(request, vessel_of(train_id, vessel), vessel, done=done)

    @router.post("/train/{train_id}/elements/{vessel}")
    def replace(
        request: Request,
        train_id: str,
        vessel: str,
        writer: Annotated[Writer, Depends(context.access.writer)],
    ) -> Response:
        train = vessel_of(train_id, vessel)
        done = RedirectResponse(f"/train/{train.id}/elements/{vessel}?done=1", status_code=303)
        if context.record.claimed(writer.once):
            return done
        try:
            _replace(context, train, vessel, writer)
        except (Refused, LoadMapError) as error:
            return shown(
                request, train, vessel, said=f"Not done. {error}", form=writer.form, status=422
            )
        except SubmittedTwice:
            pass  # the other sending, at the same moment, has done it
        return done

    return router


def _replace(context: PageContext, train: TrainConfig, vessel: str, writer: Writer) -> None:
    """Put another element into a position, and enter the event that the flush is followed by."""
    form = writer.form
    number, serial, of_type = form.text("number"), form.text("serial"), form.text("type")
    wrong = []
    position = f"{vessel}/{number}"
    if position not in positions(train):
        wrong.append("Say which position.")
    if not serial:
        wrong.append("Enter the serial number of the element that was put in.")
    if max(len(serial), len(of_type)) > LONGEST:
        wrong.append(f"A serial number or type has at most {LONGEST} characters.")
    old_goes = form.text("old") or SCRAPPED
    if old_goes not in (SHELF, SCRAPPED):
        wrong.append("Say where the old element went.")
    now = context.now()
    time, at = SiteTime(context.plant.site.timezone, now), now
    if form.text("at"):
        try:
            at = time.entered(form.text("at"))
        except ValueError as error:
            wrong.append(str(error))
    if at > now + AHEAD_S:
        wrong.append(f"{time.stamp(at)} is in the future. Enter it once it is done.")
    if wrong:
        raise Refused(" ".join(wrong))
    known = LoadMap(context.record, context.plant)
    changes, detail = replacement(
        known, train, [(position, serial)], at=at, of_type=of_type, old_goes=old_goes
    )
    known.apply(
        train,
        changes,
        at=at,
        by=writer.name,
        event="element_replaced",
        detail=detail,
        once=writer.once,
    )
