"""Signing in and out."""

import secrets
import threading
from math import ceil
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from daemon.page.access import Form, Writer, read_form, safe_next, same
from daemon.page.context import PageContext
from daemon.page.throttle import Throttle
from daemon.people import People, folded

AT_ONCE = 2  # passwords hashed at the same time; each costs memory and a good part of a second
PATIENCE_S = 10.0


def routes(context: PageContext) -> APIRouter:
    """The routes of the sign-in page."""
    router = APIRouter()
    access, people, throttle = context.access, People(context.record), Throttle()
    turn = threading.BoundedSemaphore(AT_ONCE)

    def shown(
        request: Request, form: Form, *, said: str = "", status: int = 200, wait_s: float = 0.0
    ) -> HTMLResponse:
        """The form with a fresh token, which its cookie repeats: only this browser can send it."""
        token = secrets.token_urlsafe(16)
        answer = context.html(
            "login.html",
            status,
            request=request,
            token=token,
            name=form.text("name"),
            next=safe_next(form.text("next")),
            said=said,
            anybody=bool(people.names()),
            plant_file=context.plant.path.name,
        )
        access.set_cookie(request, answer, "form", token)
        if wait_s:
            answer.headers["Retry-After"] = str(ceil(wait_s))
        return answer

    @router.get("/login", response_class=HTMLResponse)
    def login_page(request: Request, next: str = "/", unsaved: bool = False) -> HTMLResponse:
        said = "You are signed out. What you just sent was not saved: sign in, then enter it again."
        return shown(request, Form([("next", next)]), said=said if unsaved else "")

    @router.post("/login")
    def login(request: Request, form: Annotated[Form, Depends(read_form)]) -> Response:
        if not same(form.get("token", ""), request.cookies.get(access.cookie(request, "form"), "")):
            said = "This page had been open for too long, or cookies are off. Please try again."
            return shown(request, form, said=said, status=403)
        name, address = folded(form.text("name")), request.client.host if request.client else ""
        wait_s = throttle.begin(name, address)
        if wait_s:
            minutes = ceil(wait_s / 60.0)
            said = f"Too many failed tries. Wait {minutes} min, then try again."
            return shown(request, form, said=said, status=429, wait_s=wait_s)
        if not turn.acquire(timeout=PATIENCE_S):
            throttle.undo(name, address)
            said = "Too many people sign in right now. Please try again in a moment."
            return shown(request, form, said=said, status=429, wait_s=PATIENCE_S)
        try:
            person = people.check(name, form.get("password", ""))
        finally:
            turn.release()
        if person is None:
            said = "Name or password is wrong."
            return shown(request, form, said=said, status=403)
        throttle.succeeded(name, address)
        answer = RedirectResponse(safe_next(form.text("next")), status_code=303)
        access.begin(request, answer, person)
        return answer

    @router.post("/logout")
    def logout(request: Request, writer: Annotated[Writer, Depends(access.writer)]) -> Response:
        answer = RedirectResponse("/", status_code=303)
        access.end(request, answer)
        return answer

    return router
