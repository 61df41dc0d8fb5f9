"""The web page as an application: routers of the features, headers, and answers to what goes wrong.

Reading is open; what writes asks `PageContext.access` who is signed in.
"""

import time
from collections.abc import Callable
from http import HTTPStatus

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon import words
from daemon.clock import Clock, SystemClock
from daemon.history_reader import HistoryReader
from daemon.page import (
    access_routes,
    elements_routes,
    log_routes,
    notice_routes,
    probe_routes,
    static_routes,
    survey_routes,
    views,
    watch_routes,
    workpack_routes,
)
from daemon.page.access import SAFE, Access, SignInNeeded, login_path
from daemon.page.context import PageContext
from daemon.page.source import Source
from daemon.page.watch_routes import RANGES
from daemon.plantfile.result import Plant
from daemon.record import Record
from daemon.sqlite import StoreError

REFRESH_S = 5.0

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'self';"
    " frame-ancestors 'none'; object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class _Headers:
    """Adds the security headers to every answer, and forbids caching where nothing else is said."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, with_headers if scope["type"] == "http" else send)


def create_app(
    plant: Plant,
    record: Record,
    history: HistoryReader,
    *,
    clock: Clock | None = None,
    refresh_s: float = REFRESH_S,
    wall: Callable[[], float] = time.time,
) -> FastAPI:
    """The application that shows `plant`, and writes what people enter into `record`.

    clock : gives plant time; the gateway's own by default.
    refresh_s : how often an open page asks for news. [s]
    wall : wall time, for sign-ins. [s since 1970-01-01 UTC]
    """
    if not refresh_s > 0:
        raise ValueError(f"refresh_s must be above 0, got {refresh_s!r}")
    static = static_routes.StaticFiles()
    pages = Environment(
        loader=PackageLoader("daemon.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # No generated documentation: its pages load scripts from elsewhere.
    app = FastAPI(title="brinelark", docs_url=None, redoc_url=None, openapi_url=None)
    app.add_middleware(GZipMiddleware, minimum_size=500)
    app.add_middleware(_Headers)

    context = PageContext(
        plant=plant,
        record=record,
        history=history,
        source=Source(plant, record, history),
        clock=clock or SystemClock(),
        pages=pages,
        access=Access(record, secure=plant.page.address.startswith("https:"), wall=wall),
    )
    pages.globals |= {
        "asset": static.address,
        "csrf_field": context.access.csrf_field,
        "signed_in": context.access.signed_in,
        "login_path": login_path,
        "read_only": views.READ_ONLY,
        "refresh_ms": round(1000 * refresh_s),
        "quantities": words.QUANTITIES,
        "ranges": RANGES,
        "view": None,
        "request": None,
    }
    app.include_router(static_routes.routes(static))
    app.include_router(access_routes.routes(context))
    app.include_router(watch_routes.routes(context))
    app.include_router(notice_routes.routes(context))
    app.include_router(log_routes.routes(context))
    app.include_router(elements_routes.routes(context))
    app.include_router(survey_routes.routes(context))
    app.include_router(probe_routes.routes(context))
    app.include_router(workpack_routes.routes(context))

    def problem(request: Request, status: int, detail: str) -> Response:
        title = TITLES.get(status, HTTPStatus(status).phrase)
        if request.url.path.startswith("/api/"):
            return JSONResponse({"error": detail}, status_code=status)
        return context.html("error.html", status=status, title=title, detail=detail)

    @app.exception_handler(SignInNeeded)
    def sign_in_needed(request: Request, error: SignInNeeded) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"error": str(error)}, status_code=401)
        if request.method in SAFE:
            return RedirectResponse(login_path(error.next), status_code=303)
        # What was sent is not kept: it leads back to the page it came from, and says so.
        return RedirectResponse(
            f"{login_path(page_near(request.url.path))}&unsaved=1", status_code=303
        )

    def page_near(path: str) -> str:
        """The page at this path, or the nearest one above: forms may be sent to a path that is no page."""
        while path and path != "/":
            scope = {"type": "http", "path": path, "root_path": "", "method": "GET", "headers": []}
            if any(route.matches(scope)[0] is Match.FULL for route in app.router.routes):
                return path
            path = path.rpartition("/")[0]
        return "/"

    @app.exception_handler(StarletteHTTPException)
    def http_problem(request: Request, error: StarletteHTTPException) -> Response:
        detail = error.detail
        if error.status_code == 404 and detail == HTTPStatus.NOT_FOUND.phrase:
            detail = f"There is no page {request.url.path!r} here."
        return problem(request, error.status_code, detail)

    @app.exception_handler(RequestValidationError)
    def wrong_request(request: Request, error: RequestValidationError) -> Response:
        said = "; ".join(f"{e['loc'][-1]}: {e['input']!r} is not possible" for e in error.errors())
        if any(e["loc"][-1] == "days" for e in error.errors()):
            said += f". Days may be {', '.join(str(d) for d in RANGES)}"
        return problem(request, 422, f"{said}.")

    @app.exception_handler(StoreError)
    def store_problem(request: Request, error: StoreError) -> Response:
        # The text names the file and what would help.
        return problem(request, 503, str(error))

    return app


TITLES = {
    403: "Not done",
    404: "Not found",
    405: "Not possible",
    422: "Not understood",
    429: "Too many tries",
    503: "Store cannot be used",
}
