"""What faces people and other systems: site, contacts, store, page and forwarding, with their secrets."""

import os
import re
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from daemon.plantfile.problems import Report, nearest, shown
from daemon.plantfile.result import Contact, Forward, Page
from daemon.plantfile.schema import ContactTable, ForwardTable, PageTable, SiteTable
from daemon.plantfile.validate import Checked

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_HOURS = re.compile(r"^(?:[01]\d|2[0-3]):[0-5]\d-(?:(?:[01]\d|2[0-3]):[0-5]\d|24:00)$")


@dataclass(frozen=True)
class Secrets:
    """Where secrets are read from.

    folder : of the plant file; names of secret files start there.
    environment : variables of the process.
    wanted : False leaves every secret unread and empty, for work that sends nothing, such as a replay
        on another machine.
    """

    folder: Path
    environment: Mapping[str, str]
    wanted: bool = True

    def of_file(self, name: str) -> tuple[str | None, str]:
        """(text, "") or (None, why not)."""
        path = self.folder / name
        try:
            return path.read_text(encoding="utf-8"), ""
        except FileNotFoundError:
            return None, "does not exist"
        except (OSError, UnicodeDecodeError) as exc:
            return None, f"cannot be read ({getattr(exc, 'strerror', None) or 'not UTF-8 text'})"

    def readable_by_all(self, name: str) -> bool:
        """Every account of the machine may read this file."""
        try:
            return bool((self.folder / name).stat().st_mode & stat.S_IROTH)
        except OSError:
            return False


def this_process(folder: Path, *, wanted: bool) -> Secrets:
    """Secrets of the running process."""
    return Secrets(folder, os.environ, wanted)


def check_site(site: Checked[SiteTable], report: Report) -> None:
    """The time zone is one that this machine knows."""
    if not site.ok("timezone"):
        return
    name = site.table.timezone
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        near = nearest(name, available_timezones())
        report.problem(
            (*site.loc, "timezone"),
            f'timezone "{name}" is not known',
            f'did you mean "{near}"?' if near else 'use a tz database name, like "Europe/Madrid"',
        )


def check_contact(contact: Checked[ContactTable], secrets: Secrets, report: Report) -> None:
    """Report what is wrong with one contact. No message ever holds a URL."""
    table, loc = contact.table, contact.loc
    if contact.ok("hours") and hours(table.hours) is None:
        report.problem(
            (*loc, "hours"),
            f"hours {shown(table.hours)} is not understood",
            'write it like hours = "07:00-17:00", or "22:00-06:00" for a night shift',
        )
    if contact.ok("days"):
        for index, day in enumerate(table.days):
            if day not in DAYS:
                report.problem(
                    (*loc, "days", index), f'day "{day}" is not known', f"use {', '.join(DAYS)}"
                )
        if not table.days:
            report.problem(
                (*loc, "days"),
                "days is empty",
                'name the working days, or write classes = ["alarm"] for alarms only',
            )
    if contact.ok("classes") and not table.classes:
        report.problem(
            (*loc, "classes"), "classes is empty", 'write classes = ["advisory", "alarm"], or one'
        )
    if not contact.ok("urls", "urls_file", "urls_env"):
        return
    if table.urls is None and table.urls_file is None and table.urls_env is None:
        report.problem(loc, "there is no URL to send to", "add one of urls, urls_file or urls_env")
        return
    for index, url in enumerate(table.urls or ()):
        if not _looks_like_url(url):
            report.problem(
                (*loc, "urls", index),
                f"entry {index + 1} of urls is not a URL (*** not shown)",
                'write it like "mailto://..." or "json://..."',
            )
    if secrets.wanted:
        _check_sources(contact, secrets, report)


def _check_sources(contact: Checked[ContactTable], secrets: Secrets, report: Report) -> None:
    table, loc = contact.table, contact.loc
    if table.urls_file is not None:
        text, why = secrets.of_file(table.urls_file)
        at = (*loc, "urls_file")
        if text is None:
            report.problem(
                at,
                f"urls_file {shown(table.urls_file)} {why}",
                "make the file, one URL a line, readable by the service",
            )
        else:
            _check_urls(_lines(text), at, f"urls_file {shown(table.urls_file)}", report)
            if secrets.readable_by_all(table.urls_file):
                report.warning(loc, f"urls_file {shown(table.urls_file)} can be read by everybody")
    if table.urls_env is not None:
        value = secrets.environment.get(table.urls_env)
        at = (*loc, "urls_env")
        if value is None:
            report.problem(
                at,
                f"environment variable {_variable(table.urls_env)} is not set",
                "set it in the environment of the service, URLs separated by blanks",
            )
        else:
            _check_urls(
                value.split(), at, f"environment variable {_variable(table.urls_env)}", report
            )


def _check_urls(
    urls: Sequence[str], at: tuple[str | int, ...], source: str, report: Report
) -> None:
    if not urls:
        report.problem(at, f"{source} holds no URL", "put at least one URL there")
    for index, url in enumerate(urls):
        if not _looks_like_url(url):
            report.problem(
                at,
                f"entry {index + 1} of {source} is not a URL (*** not shown)",
                'write it like "mailto://..." or "json://..."',
            )


def _looks_like_url(text: str) -> bool:
    """Scheme and something behind it; whether it can be sent to is found out at start."""
    return re.match(r"^[a-zA-Z][a-zA-Z0-9+.-]*://\S+$", text) is not None


def _lines(text: str) -> list[str]:
    """Lines of a secret file, without comments and blank lines."""
    stripped = (line.strip() for line in text.splitlines())
    return [line for line in stripped if line and not line.startswith("#")]


def hours(text: str) -> tuple[str, str] | None:
    """("07:00", "17:00") of ``07:00-17:00``; None when it is not understood.

    A night shift ends before it begins, equal ends are the whole day; 24:00 is the 00:00 that follows.
    """
    if _HOURS.match(text) is None:
        return None
    start, end = text.split("-")
    return start, "00:00" if end == "24:00" else end


def contact(table: ContactTable, secrets: Secrets) -> Contact:
    """A checked contact with its URLs."""
    urls = list(table.urls or ())
    if secrets.wanted:
        if table.urls_file is not None:
            urls += _lines(secrets.of_file(table.urls_file)[0] or "")
        if table.urls_env is not None:
            urls += secrets.environment[table.urls_env].split()
    else:
        urls = []
    span = hours(table.hours)
    assert span is not None
    return Contact(
        name=table.name,
        urls=tuple(dict.fromkeys(urls)),
        classes=tuple(dict.fromkeys(table.classes)),
        hours=span,
        days=tuple(sorted({DAYS.index(day) for day in table.days})),
    )


def check_forward(forward: Checked[ForwardTable], secrets: Secrets, report: Report) -> None:
    """Report what is wrong with the forwarding target."""
    table, loc = forward.table, forward.loc
    if forward.ok("url") and not _is_http(table.url):
        report.problem(
            (*loc, "url"),
            f"url {shown(table.url)} is not an http or https address",
            'write it like url = "http://10.0.0.9:8086"',
        )
    if not forward.ok("token_file", "token_env"):
        return
    if table.token_file is not None and table.token_env is not None:
        report.problem(
            (*loc, "token_env"), "token_file and token_env are both given", "keep one of them"
        )
    elif not secrets.wanted:
        return
    elif table.token_file is not None:
        text, why = secrets.of_file(table.token_file)
        if text is None or not _lines(text):
            report.problem(
                (*loc, "token_file"),
                f"token_file {shown(table.token_file)} {why or 'is empty'}",
                "make the file with the token as its only line, readable by the service",
            )
        elif secrets.readable_by_all(table.token_file):
            report.warning(
                (*loc, "token_file"),
                f"token_file {shown(table.token_file)} can be read by everybody",
            )
    elif table.token_env is not None and not secrets.environment.get(table.token_env):
        report.problem(
            (*loc, "token_env"),
            f"environment variable {_variable(table.token_env)} is not set",
            "set it in the environment of the service; token_env is its name, not the token",
        )


def check_page(page: Checked[PageTable], report: Report) -> None:
    """The address that messages link to is one that a browser opens."""
    address = page.table.address
    if not page.ok("address") or address is None:
        return
    loc = (*page.loc, "address")
    if not _is_http(address):
        report.problem(
            loc,
            f"address {shown(address)} is not an http or https address",
            'write it like address = "https://ro.example.org"',
        )
    elif urlsplit(address).path.strip("/") or urlsplit(address).query:
        # Links inside the page start at the root of its host.
        report.problem(
            loc,
            f"address {shown(address)} has a path",
            "let the proxy serve the page at the root of a host name or port of its own",
        )


def page(table: PageTable) -> Page:
    """The checked page."""
    return Page(table.host, table.port, (table.address or "").rstrip("/"))


def _is_http(text: str) -> bool:
    try:
        parts = urlsplit(text)
        _ = parts.port  # raises when it is not a number
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and bool(parts.hostname) and " " not in text


def _variable(name: str) -> str:
    """A name as usual for a variable; anything else may be the secret itself, put in the wrong place."""
    return name if re.match(r"^[A-Z_][A-Z0-9_]*$", name) else "***"


def forward(table: ForwardTable, secrets: Secrets) -> Forward:
    """The checked target with its token, empty when none is given."""
    token = ""
    if secrets.wanted and table.token_file is not None:
        token = _lines(secrets.of_file(table.token_file)[0] or "")[0]
    elif secrets.wanted and table.token_env is not None:
        token = secrets.environment[table.token_env]
    return Forward(url=table.url, org=table.org, bucket=table.bucket, token=token)
