"""A work pack on paper: one HTML file that needs nothing else, and PDF by Chromium where it is installed."""

import os
import shutil
import subprocess
import tempfile
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from daemon.workpack.model import WHO, Pack
from daemon.workpack.orders import WorkPackError

BROWSERS = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")
"""Names that Chromium goes by."""
PATIENCE_S = 60.0
Paper = Literal["a4", "letter"]
SIZES: dict[Paper, str] = {"a4": "A4", "letter": "Letter"}
STYLE = "workpack.css"


@cache
def _template() -> Template:
    pages = Environment(
        loader=PackageLoader("daemon.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return pages.get_template("workpack.html")


def html(pack: Pack, *, paper: Paper | None = None) -> str:
    """The pack as one file, style included. paper : None leaves the size to whoever prints it."""
    style = (resources.files("daemon.page") / "static" / STYLE).read_text(encoding="utf-8")
    if paper is not None:
        style = f"{style}@page {{ size: {SIZES[paper]}; }}\n"
    return _template().render(pack=pack, style=Markup(style), back="", who_words=WHO)


def browser() -> str | None:
    """Where Chromium is, or None."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def pdf(pack: Pack, path: Path, paper: Paper) -> None:
    """Write the pack as PDF. Raises WorkPackError when there is no Chromium, or it fails."""
    found = browser()
    if found is None:
        raise WorkPackError(
            f"{path}: a PDF is made by Chromium, and none is installed here (looked for "
            f"{', '.join(BROWSERS)}); install it, or write an .html file and print that"
        )
    with tempfile.TemporaryDirectory() as folder:
        page, out = Path(folder) / "pack.html", Path(folder) / "pack.pdf"
        page.write_text(html(pack, paper=paper), encoding="utf-8")
        command = [
            found,
            "--headless",
            # root has no sandbox to be put into; the page is our own and fetches nothing
            *(["--no-sandbox"] if os.geteuid() == 0 else []),
            "--disable-gpu",
            "--disable-dev-shm-usage",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            f"--print-to-pdf={out}",
            page.as_uri(),
        ]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=PATIENCE_S, check=False
            )
        except subprocess.TimeoutExpired as error:
            raise WorkPackError(
                f"{path}: {found} has not made the PDF within {PATIENCE_S:g} s; write an .html file and "
                "print that"
            ) from error
        if done.returncode or not out.is_file():
            last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
            raise WorkPackError(
                f"{path}: {found} made no PDF ({last}); write an .html file and print that"
            )
        path.write_bytes(out.read_bytes())
