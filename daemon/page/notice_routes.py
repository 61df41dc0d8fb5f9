"""The page of one notice, and what people do about it there: the same as `brinelark notices` does."""

import json
from collections.abc import Iterable
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from daemon.notices import NoticeError, Notices
from daemon.page.access import Form, Writer
from daemon.page.context import Link, PageContext
from daemon.page.news import news, version
from daemon.page.noticepage import HOURS, MOST, NoticePage, notice_list, notice_page
from daemon.plantfile.result import TrainConfig
from daemon.rows import JournalLine, Notice

NOTHING = Form([])
LONGEST = 500  # characters of a reason or note
HOUR_S = 3600.0
EVENT = {
    "acknowledge": "acknowledged",
    "shelve": "shelved",
    "unshelve": "unshelved",
    "out_of_service": "out_of_service",
    "back": "in_service",
}
"""What can be asked for, and how the journal calls it once it is done."""


class Refused(Exception):
    """What was asked for cannot be done as it was entered; the text says why."""


def routes(context: PageContext) -> APIRouter:
    """The routes of one notice."""
    router = APIRouter()
    record = context.record

    def offer(train: TrainConfig) -> Iterable[Link]:
        yield Link("All notices", f"/notices?train={quote(train.id)}")

    context.links.for_trains(offer)

    def found(notice_id: str) -> Notice:
        notice = record.notice(notice_id)
        if notice is None or notice.train not in [train.id for train in context.plant.trains]:
            known = ", ".join(str(n.id) for n in record.open_notices()) or "none"
            raise HTTPException(
                404, f"There is no notice {notice_id!r} here. Open notices: {known}."
            )
        return notice

    def view_of(notice: Notice) -> NoticePage:
        lines = record.journal(notice=notice.id)
        return notice_page(context.plant, notice, lines, context.now())

    def shown(
        request: Request,
        notice_id: str,
        *,
        done: bool = False,
        said: str = "",
        form: Form = NOTHING,
        status: int = 200,
    ) -> HTMLResponse:
        notice = found(notice_id)
        view = view_of(notice)
        return context.html(
            "notice.html",
            status,
            request=request,
            view=view,
            version=version(view),
            done=done,
            said=said,
            form=form,
            hours=HOURS,
            longest=LONGEST,
            links=context.links.of_notice(notice),
        )

    @router.get("/notices", response_class=HTMLResponse)
    def every(request: Request, train: str = "") -> HTMLResponse:
        newest = record.notices(context.known(train) if train else None, limit=MOST + 1)
        view = notice_list(context.plant, newest, train, context.now())
        return context.html("notices.html", request=request, view=view)

    @router.get("/notice/{notice_id}", response_class=HTMLResponse)
    def page(request: Request, notice_id: str, done: bool = False) -> HTMLResponse:
        return shown(request, notice_id, done=done)

    @router.get("/api/notice/{notice_id}")
    def page_news(notice_id: str) -> JSONResponse:
        return news(view_of(found(notice_id)))

    @router.post("/notice/{notice_id}")
    def act(
        request: Request, notice_id: str, writer: Annotated[Writer, Depends(context.access.writer)]
    ) -> Response:
        notice, form = found(notice_id), writer.form
        do, seen = form.text("do"), form.text("step")
        if do not in EVENT or not seen.isdecimal():
            raise HTTPException(422, "This form asks for something that a notice does not know.")
        done = RedirectResponse(f"/notice/{notice_id}?done=1", status_code=303)
        if _is_done(record.journal(notice=notice_id), int(seen), do, writer.name):
            return done
        if notice.steps != int(seen):
            said = "It has changed while you looked. See how it stands now, then decide again."
            return shown(request, notice_id, said=said, form=form, status=409)
        try:
            _act(Notices(record, context.plant), notice_id, do, writer.name, form, context.now())
        except Refused as refused:
            return shown(request, notice_id, said=str(refused), form=form, status=422)
        except NoticeError as error:
            # The same form twice at once: the second comes here after the first has done it.
            if _is_done(record.journal(notice=notice_id), int(seen), do, writer.name):
                return done
            return shown(request, notice_id, said=f"Not done. {error}.", form=form, status=409)
        return done

    return router


def _act(engine: Notices, notice_id: str, do: str, by: str, form: Form, now: float) -> None:
    why = " ".join(form.text("why").split())
    if len(why) > LONGEST:
        raise Refused(f"The text has {len(why)} characters; at most {LONGEST} go into the journal.")
    if do in ("shelve", "out_of_service") and not why:
        raise Refused("Say why; the journal keeps it.")
    if do == "acknowledge":
        engine.acknowledge(notice_id, by, why, at=now)
    elif do == "shelve":
        hours = form.text("hours")
        if not hours.isdecimal() or int(hours) not in HOURS:
            raise Refused("Say for how long.")
        engine.shelve(notice_id, now + int(hours) * HOUR_S, by, why, at=now)
    elif do == "unshelve":
        engine.unshelve(notice_id, by, at=now)
    elif do == "out_of_service":
        engine.out_of_service(notice_id, by, why, at=now)
    else:
        engine.back(notice_id, by, at=now)


def _is_done(journal: list[JournalLine], seen: int, do: str, by: str) -> bool:
    """Whether the step after the one that was looked at is this very one: the form was sent twice."""
    return any(
        line.number == seen + 1
        and line.event == EVENT[do]
        and json.loads(line.body).get("by") == by
        for line in journal
    )
