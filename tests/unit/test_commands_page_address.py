"""Where `brinelark run` says that the page is, and what it says before the page is open to others."""

import socket
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.commands import pageaddress
from daemon.plantfile.result import Page
from tests.notices_kit import plant


@pytest.mark.parametrize(
    ("host", "address", "shown"),
    [
        ("127.0.0.1", "http://127.0.0.1:8350/", "http://127.0.0.1:8350/"),
        ("10.0.0.5", "http://10.0.0.5:8350/", "http://10.0.0.5:8350/"),
        ("0.0.0.0", "http://0.0.0.0:8350/", "http://gateway:8350/ (on this machine http://127.0.0.1:8350/)"),
        ("::", "http://[::]:8350/", "http://gateway:8350/ (on this machine http://[::1]:8350/)"),
    ],
)  # fmt: skip
def test_the_address_is_one_that_can_be_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, host: str, address: str, shown: str
) -> None:
    """All addresses of a machine are none: its name is shown, and how to get there on the machine."""
    monkeypatch.setattr(socket, "gethostname", lambda: "gateway")
    assert pageaddress.shown(replace(plant(tmp_path), page=Page(host)), address) == shown


def test_a_machine_without_a_name_is_reached_from_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No name is better than a wrong one."""
    monkeypatch.setattr(socket, "gethostname", lambda: "localhost")
    config = replace(plant(tmp_path), page=Page("0.0.0.0"))
    assert pageaddress.shown(config, "http://0.0.0.0:80/") == "http://127.0.0.1:80/"


@pytest.mark.parametrize(
    ("host", "opened"),
    [("127.0.0.1", False), ("::1", False), ("localhost", False), ("0.0.0.0", True), ("::", True),
     ("10.0.0.5", True), ("gateway.plant.example", True)],
)  # fmt: skip
def test_a_page_that_others_can_reach_is_warned_of(tmp_path: Path, host: str, opened: bool) -> None:
    """Reading is open and http hides no password; the site's own access has to keep strangers out."""
    told = pageaddress.warning(replace(plant(tmp_path), page=Page(host)))
    assert bool(told) is opened
    assert ("can read it" in told and "reverse proxy with https" in told) is opened
