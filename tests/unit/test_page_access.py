"""Who may write on the page: sign-in, sessions, and forms that come from elsewhere or come twice."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import pytest
from fastapi import Depends, FastAPI, Request
from fastapi.responses import PlainTextResponse
from fastapi.testclient import TestClient

from daemon import plantfile
from daemon.page import create_app
from daemon.page.access import LIFE_S, MOST_BYTES, Access, Writer, safe_next
from daemon.page.throttle import PAIR
from daemon.people import Cost, People, PeopleError
from daemon.record import KEPT_FORMS, Record, SubmittedTwice
from tests.notices_kit import quick_record
from tests.web.bench import Bench

QUICK = Cost(n=2**4, r=8, p=1)
NAME, PASSWORD = "R. Vidal", "three green pumps"


class Desk:
    """The page of a small plant, with somebody who may write and a wall clock that can be moved."""

    def __init__(self, folder: Path, base: str = "http://testserver") -> None:
        self.wall = 1_800_000_000.0
        self.bench = Bench(folder, lambda: self.wall)
        self.record = self.bench.record
        People(self.record, QUICK).set_password(NAME, PASSWORD)
        self.app = self.bench.app
        self.client = TestClient(self.app, base_url=base, follow_redirects=False)

    def build(self) -> FastAPI:
        return create_app(
            self.bench.plant,
            self.record,
            self.bench.history,
            clock=self.bench.clock,
            wall=lambda: self.wall,
        )

    def sign_in(self, name: str = NAME, password: str = PASSWORD, **more: str) -> object:
        self.client.get("/login")
        (token,) = [v for name, v in self.client.cookies.items() if name.endswith("-form")]
        return self.client.post(
            "/login", data={"token": token, "name": name, "password": password} | more
        )

    def who(self, cookie: str | None = None) -> str:
        """Who the page says is signed in, with a `cookie` of one's own or the client's; "" for nobody."""
        if cookie is None:
            page = self.client.get("/log").text
        else:
            with TestClient(self.app, cookies={"brinelark": cookie}) as other:
                page = other.get("/log").text
        found = re.search(r"<span>([^<]*)</span>\s*<form method=\"post\" action=\"/logout\"", page)
        return found[1] if found else ""

    def csrf(self) -> str:
        return hidden(self.client.get("/log").text, "csrf")

    def close(self) -> None:
        self.client.close()
        self.bench.close()


def hidden(page: str, name: str) -> str:
    found = re.search(rf'<input type="hidden" name="{name}" value="([^"]*)"', page)
    assert found, f"no {name} on the page"
    return found[1]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = Desk(tmp_path)
    yield desk
    desk.close()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """The same, for tests that leave nothing behind but a sign-in."""
    desk = Desk(tmp_path_factory.mktemp("shared"))
    yield desk
    desk.close()


# signing in


def test_signing_in_leads_to_where_one_wanted_to_go(desk: Desk) -> None:
    """Name in any capitals, the right password: a cookie scripts cannot read, then the page asked for."""
    answer = desk.sign_in("r.  vidal", next="/notice/A-0001")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/notice/A-0001"
    cookie = answer.headers["set-cookie"]
    for part in ("brinelark=", "HttpOnly", "SameSite=strict", "Path=/", "Max-Age=2592000"):
        assert part in cookie
    assert "Secure" not in cookie
    assert "Domain" not in cookie
    assert desk.who() == NAME


@pytest.mark.parametrize(
    ("name", "password"),
    [
        (NAME, "three green plums"),
        (NAME, ""),
        ("", PASSWORD),
        ("Nobody", PASSWORD),
        (NAME, "x" * 9000),
    ],
)
def test_a_wrong_name_and_a_wrong_password_look_the_same(
    desk: Desk, name: str, password: str
) -> None:
    """One sentence for both, no cookie, and what was typed as password is not sent back."""
    answer = desk.sign_in(name, password)
    assert answer.status_code == 403
    assert "Name or password is wrong." in answer.text
    assert not password or password not in answer.text
    assert "brinelark=" not in answer.headers["set-cookie"]
    assert desk.who() == ""


def test_the_sixth_failure_waits_even_with_the_right_password(desk: Desk) -> None:
    """After five failures the sixth is told in plain words how long to wait."""
    for _ in range(PAIR):
        assert desk.sign_in(password="wrong password").status_code == 403
    answer = desk.sign_in()
    assert answer.status_code == 429
    assert "Too many failed tries. Wait 15 min, then try again." in answer.text
    assert 0 < int(answer.headers["retry-after"]) <= 900
    assert desk.who() == ""


def test_a_sign_in_sent_from_elsewhere_is_refused(desk: Desk) -> None:
    """Another site cannot sign somebody in under a name of its choice: it does not know the cookie."""
    data = {"name": NAME, "password": PASSWORD}
    assert desk.client.post("/login", data=data).status_code == 403
    desk.client.get("/login")
    assert desk.client.post("/login", data=data | {"token": "guess"}).status_code == 403
    assert desk.client.post("/login", data=data | {"token": ""}).status_code == 403
    assert desk.who() == ""


def test_nobody_yet_is_told_how_to_begin(desk: Desk) -> None:
    """Without anybody who may write, the page names the command instead of a form."""
    People(desk.record).remove(NAME)
    page = desk.client.get("/login").text
    assert "brinelark password plant.toml" in page
    assert "<form" not in page


@pytest.mark.parametrize(
    "path",
    ["//evil.example", "/\\evil.example", "\\\\evil.example", "https://evil.example", "evil.example",
     "/\t/evil.example", "/\n/evil.example", "javascript:alert(1)", "", "/ /evil", "/é"],
)  # fmt: skip
def test_signing_in_never_leads_elsewhere(shared: Desk, path: str) -> None:
    """Whatever `next` says, the way leads to a path of this page."""
    shared.client.cookies.clear()
    assert safe_next(path) == "/"
    assert 'name="next" value="/"' in shared.client.get("/login", params={"next": path}).text
    assert shared.sign_in(next=path).headers["location"] == "/"


# sessions


def test_signing_out_ends_it_for_a_copied_cookie_too(desk: Desk) -> None:
    """After the sign-out the old cookie opens nothing."""
    desk.sign_in()
    kept = desk.client.cookies["brinelark"]
    assert desk.who(kept) == NAME
    answer = desk.client.post("/logout", data={"csrf": desk.csrf()})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "Max-Age=0" in answer.headers["set-cookie"]
    assert desk.who(kept) == ""


def test_a_session_ends_30_days_after_the_last_visit(desk: Desk) -> None:
    """Each visit moves the end; a month without one ends it."""
    desk.sign_in()
    for _ in range(3):
        desk.wall += LIFE_S - 86400.0
        assert desk.who() == NAME
    desk.wall += LIFE_S + 1.0
    assert desk.who() == ""


def test_signing_in_again_gives_a_new_cookie_and_ends_the_old(desk: Desk) -> None:
    """A cookie that somebody planted or copied before is worth nothing afterwards."""
    assert hidden(desk.client.get("/login").text, "token") == desk.client.cookies["brinelark-form"]
    desk.sign_in()
    old = desk.client.cookies["brinelark"]
    desk.sign_in()
    new = desk.client.cookies["brinelark"]
    assert new != old
    assert (desk.who(new), desk.who(old)) == (NAME, "")


@pytest.mark.parametrize("change", ["password", "removed"])
def test_a_new_password_or_none_signs_out_everywhere(desk: Desk, change: str) -> None:
    """Whoever loses the right to write loses it at once, on every device."""
    desk.sign_in()
    people = People(desk.record, QUICK)
    if change == "password":
        people.set_password(NAME, "three green plums")
    else:
        people.remove(NAME)
    assert desk.who() == ""


def test_sessions_outlive_a_restart_and_the_record_signs_nobody_in(
    desk: Desk, tmp_path: Path
) -> None:
    """The daemon may start again; what record.db holds is no cookie and no password."""
    desk.sign_in()
    cookie = desk.client.cookies["brinelark"]
    desk.app = desk.build()
    assert desk.who(cookie) == NAME
    stored = b"".join(path.read_bytes() for path in tmp_path.glob("record.db*"))
    assert NAME.encode() in stored
    assert cookie.encode() not in stored
    assert PASSWORD.encode() not in stored


def test_by_https_the_cookie_never_goes_in_the_clear(tmp_path: Path) -> None:
    """Behind a proxy with https the cookie is Secure, with the prefix that neighbors cannot set."""
    desk = Desk(tmp_path, "https://testserver")
    cookie = desk.sign_in().headers["set-cookie"]
    desk.close()
    assert cookie.startswith("__Host-brinelark=")
    assert "Secure" in cookie


def test_an_https_address_in_the_plant_file_makes_cookies_secure(tmp_path: Path) -> None:
    """The proxy may talk http to the page; the plant file says that people do not."""
    text = '[page]\naddress = "https://ro.example.org"\n'
    desk = Desk(tmp_path)
    path = tmp_path / "plant.toml"
    path.write_text(path.read_text() + text)
    desk.bench.plant = plantfile.load(path)
    with TestClient(desk.build()) as client:
        cookie = client.get("/login").headers["set-cookie"]
    desk.close()
    assert cookie.startswith("__Host-brinelark-form=")
    assert "Secure" in cookie


# forms


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Desk]:
    """The page with a route that anybody of the features may have: writers only."""
    desk = Desk(tmp_path)
    access: Access = Access(desk.record, wall=lambda: desk.wall)

    @desk.app.api_route("/thing", methods=["GET", "POST"])
    @desk.app.api_route("/api/thing", methods=["GET", "POST"])
    def thing(
        request: Request, writer: Annotated[Writer, Depends(access.writer)]
    ) -> PlainTextResponse:
        return PlainTextResponse(f"{writer.name}: {dict(writer.form).get('text', '')}")

    yield desk
    desk.close()


def test_who_is_not_signed_in_is_led_to_the_sign_in(guarded: Desk) -> None:
    """A page leads to the sign-in and back, with its query; JSON says 401."""
    answer = guarded.client.get("/thing?train=A&stage=1")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/login?next=/thing%3Ftrain%3DA%26stage%3D1"
    page = guarded.client.get(answer.headers["location"]).text
    assert 'name="next" value="/thing?train=A&amp;stage=1"' in page
    assert guarded.client.post("/thing", data={"text": "x"}).status_code == 303
    answer = guarded.client.get("/api/thing")
    assert (answer.status_code, answer.json()) == (401, {"error": "Sign in to do this."})


def test_a_form_needs_the_secret_of_its_session(guarded: Desk) -> None:
    """Without it, with a wrong one, or with that of another session nothing is done."""
    guarded.sign_in()
    stale = guarded.csrf()
    guarded.sign_in()
    csrf = guarded.csrf()
    assert csrf != stale
    for wrong in (
        {},
        {"csrf": ""},
        {"csrf": "x"},
        {"csrf": stale},
        {"csrf": csrf[:-1]},
        {"csrf": "é"},
    ):
        answer = guarded.client.post("/thing", data={"text": "hello"} | wrong)
        assert answer.status_code == 403, wrong
        assert "Nothing was changed" in answer.text
    answer = guarded.client.post("/thing", data={"text": "hello", "csrf": csrf})
    assert (answer.status_code, answer.text) == (200, f"{NAME}: hello")


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b'{"csrf": "x"}', "application/json", 415),
        (b"csrf=x", "text/plain", 415),
        (b"csrf=" + b"x" * MOST_BYTES, "application/x-www-form-urlencoded", 413),
        (b"csrf=%ff", "application/x-www-form-urlencoded", 422),
        ("csrf=\u00e9".encode(), "application/x-www-form-urlencoded", 422),
        (b"a&" * 6000, "application/x-www-form-urlencoded", 422),
    ],
)
def test_what_is_no_form_of_the_page_is_refused(
    guarded: Desk, body: bytes, kind: str, status: int
) -> None:
    """Other kinds, too much, and what cannot be read: an answer in words, and nothing else."""
    guarded.sign_in()
    answer = guarded.client.post("/thing", content=body, headers={"content-type": kind})
    assert answer.status_code == status


@pytest.mark.parametrize("path", ["/", "/login", "/log", "/notice/A-0001", "/train/A", "/nowhere"])
def test_every_answer_carries_the_headers(shared: Desk, path: str) -> None:
    """Forms go to this page only, nobody frames it, nothing is kept in a cache."""
    headers = shared.client.get(path).headers
    policy = headers["content-security-policy"]
    assert "form-action 'self'" in policy
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert headers["cache-control"] == "no-store"
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"


# the record


def test_passwords_are_salted_and_keep_their_cost(tmp_path: Path) -> None:
    """Two people with one password have two hashes; a later cost leaves older passwords valid."""
    with quick_record(tmp_path) as record:
        People(record, QUICK).set_password("Kim", PASSWORD)
        People(record, Cost(n=2**5, r=4, p=2)).set_password("Sam", PASSWORD)
        rows = record.select("SELECT * FROM person ORDER BY folded")
        assert rows[0]["hash"] != rows[1]["hash"]
        assert [(r["n"], r["r"], r["p"]) for r in rows] == [(16, 8, 1), (32, 4, 2)]
        people = People(record)
        assert [people.check(n, PASSWORD) for n in ("kim", "SAM", "Tom")] == ["Kim", "Sam", None]


def test_the_hash_is_that_of_rfc_7914(tmp_path: Path) -> None:
    """Third check value of RFC 7914, section 12: password "pleaseletmein", salt "SodiumChloride", 16384, 8, 1."""
    expected = bytes.fromhex(
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    )  # the first 32 bytes
    with quick_record(tmp_path) as record:
        People(record, QUICK).set_password("Kim", "pleaseletmein")
        with record.transaction() as connection:
            connection.execute(
                "UPDATE person SET salt = ?, hash = ?, n = 16384, r = 8, p = 1",
                (b"SodiumChloride", expected),
            )
        assert People(record).check("Kim", "pleaseletmein") == "Kim"
        assert People(record).check("Kim", "pleaseletmeIn") is None


def test_letters_written_in_two_ways_are_one_password(tmp_path: Path) -> None:
    """An accent typed as one code point or as two is the same."""
    with quick_record(tmp_path) as record:
        People(record, QUICK).set_password("José", "tres bombas azulésx")
        assert People(record).check("jose\u0301", "tres bombas azule\u0301sx") == "José"


def test_removing_who_is_not_there_names_who_is(tmp_path: Path) -> None:
    """The error lists the names."""
    with quick_record(tmp_path) as record:
        People(record, QUICK).set_password("Kim", PASSWORD)
        with pytest.raises(PeopleError, match="'Sam' has no password here; who has one: Kim"):
            People(record).remove("Sam")


def test_a_form_is_acted_on_once(tmp_path: Path) -> None:
    """The second time leaves the record as it was; the oldest forms are forgotten."""
    with quick_record(tmp_path) as record:
        record.add_event(1.0, "A", "note", "first", "Kim", once="form 1")
        with pytest.raises(SubmittedTwice):
            record.add_event(2.0, "A", "note", "again", "Kim", once="form 1")
        assert [e.detail for e in record.events()] == ["first"]
        with record.transaction() as connection:
            connection.executemany(
                "INSERT INTO submitted (once) VALUES (?)", [(f"x{n}",) for n in range(KEPT_FORMS)]
            )
            record.claim("form 2")
            (kept,) = connection.execute("SELECT count(*) FROM submitted").fetchone()
        assert kept == KEPT_FORMS


def test_two_connections_write_in_turn(tmp_path: Path) -> None:
    """The page writes through a connection of its own while the judge's has the file open too."""
    with quick_record(tmp_path) as judge, Record.open(tmp_path, durable=False) as pages:
        before = judge.version()
        pages.add_event(1.0, "A", "note", "from the page", "Kim")
        assert judge.version() != before
        judge.add_event(2.0, "A", "note", "from the judge")
        assert [e.detail for e in pages.events()] == ["from the page", "from the judge"]
