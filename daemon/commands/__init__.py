"""The `brinelark` command: one module for each sub-command."""

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from daemon.commands.check import check
from daemon.commands.common import NothingYet, UsedWrongly
from daemon.commands.demo import demo
from daemon.commands.elements import elements
from daemon.commands.log import log
from daemon.commands.notices import notices
from daemon.commands.password import password
from daemon.commands.probe import probe
from daemon.commands.replay import replay
from daemon.commands.run import run
from daemon.commands.simulate import simulate
from daemon.commands.survey import survey
from daemon.commands.workpack import workpack
from daemon.compare import CompareError
from daemon.conditions import ConditionsUnusable
from daemon.eventlog import EventLogError
from daemon.lifecycle import NotPossible
from daemon.loadmap import LoadMapError
from daemon.notices import NoticeError
from daemon.page.server import PageUnusable
from daemon.people import PeopleError
from daemon.plantfile import PlantFileError
from daemon.service import ContactsUnusable
from daemon.sheets_reader import ReadingsUnusable
from daemon.sqlite import StoreError
from daemon.workpack import WorkPackError
from drivers.protocol import DriverError

app = typer.Typer(
    name="brinelark",
    help=(
        "Early, quiet warning for reverse-osmosis trains: what is happening to which membranes, "
        "and whether to clean, probe or replace. Reads only; it is no safety system."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command()(demo)
app.command()(run)
app.command()(check)
app.command()(replay)
app.command(
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
    add_help_option=False,
)(simulate)
app.command()(notices)
app.command()(survey)
app.command()(probe)
app.command()(log)
app.command()(elements)
app.command()(password)
app.command()(workpack)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"brinelark {version('brinelark')}")
        raise typer.Exit


@app.callback()
def _brinelark(
    show_version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Options that go before a command."""


EXPECTED = (
    PlantFileError,
    ContactsUnusable,
    PageUnusable,
    StoreError,
    DriverError,
    CompareError,
    EventLogError,
    LoadMapError,
    ConditionsUnusable,
    ReadingsUnusable,
    NoticeError,
    NotPossible,
    PeopleError,
    UsedWrongly,
    WorkPackError,
)
"""Troubles with their place and remedy in their text: printed without a traceback."""


def main() -> None:
    """Run the command line. Exit code 0: done; 1: found something or failed; 2: used wrongly."""
    try:
        app(prog_name="brinelark")
    except NothingYet as error:
        typer.echo(str(error), err=True)
        sys.exit(1)
    except EXPECTED as error:
        typer.echo(str(error), err=True)
        sys.exit(2)
