"""The page of what people did to the trains: a form to enter it, and what is known. As `brinelark log`."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from daemon import maintenance, words
from daemon.eventlog import AHEAD_S
from daemon.page.access import Form, Writer
from daemon.page.context import Link, PageContext
from daemon.page.times import SiteTime, iso
from daemon.page.views import WorkView, work_views
from daemon.plantfile.result import TrainConfig
from daemon.record import EVENTS, SubmittedTwice

LONGEST = 1000  # characters of a detail
SHOWN = 100  # newest events on the page
NOTHING = Form([])


@dataclass(frozen=True, slots=True)
class LogView:
    """Everything on the page. trains : id -> label of each."""

    site: str
    now_iso: str
    now_text: str
    zone: str
    trains: dict[str, str]
    events: tuple[WorkView, ...]


def routes(context: PageContext) -> APIRouter:
    """The routes of the log."""
    router = APIRouter()
    plant, record = context.plant, context.record

    def offer(train: TrainConfig) -> Iterable[Link]:
        yield Link("Enter work done", f"/log?train={train.id}")

    context.links.for_trains(offer)

    def shown(
        request: Request, form: Form, *, said: str = "", done: str = "", status: int = 200
    ) -> HTMLResponse:
        now = context.now()
        time = SiteTime(plant.site.timezone, now)
        newest = sorted(maintenance.entries(record), key=lambda e: (e.event.t, e.event.id))
        labels = {train.id: words.train_label(train.id, train.name) for train in plant.trains}
        view = LogView(
            site=plant.site.name,
            now_iso=iso(now),
            now_text=f"{time.day(now)}, {time.clock(now, seconds=True)}",
            zone=plant.site.timezone,
            trains=labels,
            events=work_views(newest[: -SHOWN - 1 : -1], time),
        )
        return context.html(
            "log.html",
            status,
            request=request,
            view=view,
            form=form,
            said=said,
            done=done,
            events=words.EVENTS,
            longest=LONGEST,
        )

    @router.get("/log", response_class=HTMLResponse)
    def page(request: Request, train: str = "", done: str = "") -> HTMLResponse:
        return shown(request, Form([("train", train)]), done=done)

    @router.post("/log")
    def enter(
        request: Request, writer: Annotated[Writer, Depends(context.access.writer)]
    ) -> Response:
        form = writer.form
        wrong, at = _checked(context, form)
        if wrong:
            return shown(request, form, said=" ".join(wrong), status=422)
        detail = "\n".join(" ".join(line.split()) for line in form.text("detail").splitlines())
        try:
            number = record.add_event(
                at, form.text("train"), form.text("event"), detail, writer.name, once=writer.once
            )
        except SubmittedTwice:
            return RedirectResponse("/log?done=twice", status_code=303)
        return RedirectResponse(f"/log?done={number}", status_code=303)

    return router


def _checked(context: PageContext, form: Form) -> tuple[list[str], float]:
    """Everything that is wrong with what was entered, in words, and when it was done. [s]"""
    wrong, now = [], context.now()
    if form.text("train") not in [train.id for train in context.plant.trains]:
        wrong.append("Say which train.")
    if form.text("event") not in EVENTS:
        wrong.append("Say what was done.")
    if form.text("event") == "note" and not form.text("detail"):
        wrong.append("A note needs a text.")
    if len(form.text("detail")) > LONGEST:
        wrong.append(f"The text is longer than {LONGEST} characters.")
    at = now
    time = SiteTime(context.plant.site.timezone, now)
    if form.text("at"):
        try:
            at = time.entered(form.text("at"))
        except ValueError as error:
            wrong.append(str(error))
    if at > now + AHEAD_S:
        wrong.append(
            f"{time.stamp(at)} is in the future: it is {time.stamp(now)}. Enter it once it is done."
        )
    return wrong, at
