"""Who may write on the page: sessions, the check of every form, and where a sign-in leads to.

Reading is open. Whoever writes has signed in with a password given by `brinelark password`; the cookie
holds 256 random bits, the record only their hash, so a copy of record.db signs nobody in. Every form
carries the secret of its session (`csrf`) and a token of its own (`once`), see `Access.csrf_field`.
"""

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from urllib.parse import parse_qsl, quote

from fastapi import HTTPException, Request, Response
from markupsafe import Markup, escape
from starlette.concurrency import run_in_threadpool

from daemon.record import Record

COOKIE = "brinelark"
LIFE_S = 30 * 86400.0  # after so long without a visit one signs in again
SLIDE_S = 86400.0  # a visit is written down at most this often
MOST_BYTES = 512 * 1024  # of one form: a whole survey or probe pasted in
MOST_FIELDS = 5000
SAFE = ("GET", "HEAD")


class SignInNeeded(Exception):
    """Nobody is signed in; `next` is where to go on afterwards."""

    def __init__(self, next_path: str) -> None:
        super().__init__("Sign in to do this.")
        self.next = next_path


class Form(Mapping[str, str]):
    """The fields of a form that was sent; of a field that came several times the last, or `all` of them."""

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        self._pairs = pairs
        self._last = dict(pairs)

    def __getitem__(self, name: str) -> str:
        return self._last[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._last)

    def __len__(self) -> int:
        return len(self._last)

    def all(self, name: str) -> list[str]:
        """Every value of a field, in order."""
        return [value for key, value in self._pairs if key == name]

    def text(self, name: str) -> str:
        """A field without blanks around it; empty when it did not come."""
        return self._last.get(name, "").strip()


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is signed in. until : wall time at which it ends without another visit. [s]"""

    name: str
    csrf: str
    until: float


@dataclass(frozen=True, slots=True)
class Writer:
    """Who writes, with the form that was sent (empty for a page that is only looked at).

    once : token of the form for `Record.claim`, so that one sent twice does its work once.
    """

    name: str
    csrf: str
    once: str = ""
    form: Form = field(default_factory=lambda: Form([]))


class Access:
    """The sessions of one record; may be used from any thread.

    secure : the page is reached by https only, so that its cookies are never sent in the clear.
    wall : wall time; plant time would not do, it may run faster. [s]
    """

    def __init__(
        self, record: Record, *, secure: bool = False, wall: Callable[[], float] = time.time
    ) -> None:
        self._record = record
        self._secure = secure
        self._wall = wall

    async def writer(self, request: Request) -> Writer:
        """A dependency: who is signed in, with the form sent.

        Leads to the sign-in page when nobody is (401 for /api), and answers 403 when what is sent does
        not carry the session's `csrf`.
        """
        session = await run_in_threadpool(self.session, request)
        if session is None:
            path = request.url.path
            raise SignInNeeded(f"{path}?{request.url.query}" if request.url.query else path)
        if request.method in SAFE:
            return Writer(session.name, session.csrf)
        form = await read_form(request)
        if not same(form.get("csrf", ""), session.csrf):
            raise HTTPException(
                403,
                "This form is out of date, or it did not come from this page. Nothing was changed:"
                " go back, load the page again, and send it once more.",
            )
        return Writer(session.name, session.csrf, form.get("once", ""), form)

    def session(self, request: Request) -> Session | None:
        """Who is signed in on the phone or computer that asks, or None; asked of the record once a request."""
        if not hasattr(request.state, "session"):
            request.state.session = self._find(request.cookies.get(self.cookie(request), ""))
        found: Session | None = request.state.session
        return found

    def csrf_field(self, request: Request | None) -> Markup:
        """The hidden fields of a form; empty when nobody is signed in."""
        session = None if request is None else self.session(request)
        if session is None:
            return Markup()
        return Markup(
            f'<input type="hidden" name="csrf" value="{escape(session.csrf)}">'
            f'<input type="hidden" name="once" value="{secrets.token_urlsafe(16)}">'
        )

    def signed_in(self, request: Request | None) -> str:
        """The name of who is signed in, for the head of a page; empty when nobody is."""
        session = None if request is None else self.session(request)
        return "" if session is None else session.name

    def begin(self, request: Request, response: Response, name: str) -> None:
        """Sign `name` in, with a new cookie; whatever the old one stood for ends."""
        token, now = secrets.token_urlsafe(32), self._wall()
        old = request.cookies.get(self.cookie(request), "")
        with self._record.transaction() as connection:
            connection.execute(
                "DELETE FROM session WHERE until <= ? OR token = ?", (now, _digest(old))
            )
            connection.execute(
                "INSERT INTO session SELECT ?, folded, ?, ?, ? FROM person WHERE name = ?",
                (_digest(token), secrets.token_urlsafe(32), now, now + LIFE_S, name),
            )
        self._set(request, response, self.cookie(request), token, LIFE_S)

    def end(self, request: Request, response: Response) -> None:
        """Sign out: the cookie is worth nothing from now on, wherever it was copied to."""
        token = request.cookies.get(self.cookie(request), "")
        with self._record.transaction() as connection:
            connection.execute("DELETE FROM session WHERE token = ?", (_digest(token),))
        self._set(request, response, self.cookie(request), "", 0)

    def cookie(self, request: Request, purpose: str = "") -> str:
        """Name of a cookie. By https with the prefix that keeps neighbors from setting it."""
        name = f"{COOKIE}-{purpose}" if purpose else COOKIE
        return f"__Host-{name}" if self._https(request) else name

    def set_cookie(self, request: Request, response: Response, purpose: str, value: str) -> None:
        """A cookie that lasts until the browser is closed."""
        self._set(request, response, self.cookie(request, purpose), value, None)

    def _set(
        self, request: Request, response: Response, name: str, value: str, age_s: float | None
    ) -> None:
        response.set_cookie(
            name,
            value,
            max_age=None if age_s is None else int(age_s),
            path="/",
            httponly=True,
            samesite="strict",
            secure=self._https(request),
        )

    def _https(self, request: Request) -> bool:
        return self._secure or request.url.scheme == "https"

    def _find(self, token: str) -> Session | None:
        if not token:
            return None
        key, now = _digest(token), self._wall()
        rows = self._record.select(
            "SELECT person.name, session.csrf, session.until FROM session"
            " JOIN person ON person.folded = session.person"
            " WHERE session.token = ? AND session.until > ?",
            (key, now),
        )
        if not rows:
            return None
        found = Session(rows[0]["name"], rows[0]["csrf"], rows[0]["until"])
        if found.until < now + LIFE_S - SLIDE_S:
            with self._record.transaction() as connection:
                connection.execute(
                    "UPDATE session SET until = ? WHERE token = ?", (now + LIFE_S, key)
                )
        return found


async def read_form(request: Request) -> Form:
    """The fields of a form of this page; answers 413 or 415 for anything else."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, "This page takes its own forms only.")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BYTES:
            raise HTTPException(
                413, f"This is more than a form may hold ({MOST_BYTES // 1024} KB)."
            )
    try:
        pairs = parse_qsl(
            body.decode("ascii"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=MOST_FIELDS,
        )
    except ValueError as error:
        raise HTTPException(422, f"This form cannot be read ({error}).") from error
    return Form(pairs)


def same(given: str, wanted: str) -> bool:
    """Whether two secrets are equal, in a time that tells nothing of them. An empty one never is."""
    return bool(wanted) and hmac.compare_digest(given.encode(), wanted.encode())


def safe_next(path: str) -> str:
    """A path of this page to go on to; the overview for anything that could lead elsewhere."""
    # Browsers read \ as / and leave out control characters: //host, /\host and /<tab>/host lead away.
    plain = path.isascii() and path.isprintable() and "\\" not in path and " " not in path
    return path if plain and path.startswith("/") and not path.startswith("//") else "/"


def login_path(next_path: str) -> str:
    """Where to sign in, to go on to `next_path` afterwards."""
    return f"/login?next={quote(safe_next(next_path), safe='/')}"


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
