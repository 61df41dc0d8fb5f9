"""Style, scripts and the mark: static files, each at an address that changes with its content."""

import hashlib
from importlib import resources

from fastapi import APIRouter, HTTPException, Response

VENDORED = {
    # uPlot 1.6.31 out of the wheel youplot 1.0.0; the hashes are those of the files in the
    # package that uPlot's author publishes.
    "uplot.iife.min.js": "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    "uplot.min.css": "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
}
TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
YEAR_S = 365 * 86400


class WrongFile(Exception):
    """A file of an installed package is not the one that was examined."""


class StaticFiles:
    """Every static file in memory, with the hash that its address carries."""

    def __init__(self) -> None:
        self.files = static_files()
        self.digests = {n: hashlib.sha256(c).hexdigest()[:16] for n, c in self.files.items()}

    def address(self, name: str) -> str:
        """Where a page finds the file."""
        return f"/static/{name}?v={self.digests[name]}"


def static_files() -> dict[str, bytes]:
    """Every static file by name; raises WrongFile when the chart library is another one."""
    own = resources.files("daemon.page") / "static"
    files = {entry.name: entry.read_bytes() for entry in own.iterdir() if entry.is_file()}
    # Read by path, without importing the wheel's code.
    vendor = resources.files("youplot") / "vendor"
    for name, wanted in VENDORED.items():
        files[name] = (vendor / name).read_bytes()
        found = hashlib.sha256(files[name]).hexdigest()
        if found != wanted:
            raise WrongFile(
                f"{vendor / name}: SHA-256 is {found}, expected {wanted}; install the pinned"
                f" youplot==1.0.0 again"
            )
    return files


def routes(static: StaticFiles) -> APIRouter:
    """The one route that serves them."""
    router = APIRouter()

    @router.get("/static/{name}")
    def file(name: str, v: str = "") -> Response:
        if name not in static.files:
            raise HTTPException(404, f"There is no file {name!r}.")
        # Only the address with the right hash may be kept: it changes with the file.
        kept = v == static.digests[name]
        keep = f"public, max-age={YEAR_S}, immutable" if kept else "no-cache"
        kind = TYPES[name.rpartition(".")[2]]
        return Response(static.files[name], media_type=kind, headers={"Cache-Control": keep})

    return router
