"""`brinelark password`: who may write on the page."""

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from daemon import plantfile
from daemon.commands.common import UsedWrongly, open_record
from daemon.people import People, folded
from daemon.plantfile import Plant


def password(
    plant_file: Annotated[Path, typer.Argument(metavar="PLANT", help="The plant file.")],
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="Who may write, as the journal shows it.")
    ] = None,
    from_stdin: Annotated[
        bool, typer.Option("--stdin", help="Read the password from the first line of the input.")
    ] = False,
    as_list: Annotated[bool, typer.Option("--list", help="Who has a password.")] = False,
    remove: Annotated[
        bool, typer.Option("--remove", help="Take the password away; signs out at once.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """Let a person write on the page: acknowledge notices, enter what was done. Asks for a password."""
    if as_list and (name is not None or remove or from_stdin):
        raise UsedWrongly("--list goes with --json only")
    if not as_list and name is None:
        raise UsedWrongly('say who: brinelark password PLANT "R. Vidal"; or --list')
    if remove and from_stdin:
        raise UsedWrongly("--remove needs no password; leave --stdin out")
    plant = plantfile.load(plant_file, secrets=False)
    with open_record(plant, read_only=False) as record:
        people = People(record)
        if as_list:
            _list(people.names(), as_json=as_json)
            return
        assert name is not None
        if remove:
            people.remove(name)
            _tell({"name": name, "removed": True}, f"{name} may write no longer", as_json=as_json)
            return
        given = _given() if from_stdin else _asked(name)
        new = people.set_password(name, given)
    said = (
        f"{name} may write on the page"
        if new
        else f"{name} has a new password, and has to sign in again everywhere"
    )
    _tell({"name": name, "new": new}, said, as_json=as_json)
    _check_contact(plant, name)


def _given() -> str:
    line = sys.stdin.readline()
    if not line.strip():
        raise UsedWrongly("--stdin: the first line of the input is empty; put the password there")
    return line.rstrip("\r\n")


def _asked(name: str) -> str:
    if not sys.stdin.isatty():
        raise UsedWrongly("there is no terminal to ask on; give the password with --stdin")
    return str(
        typer.prompt(f"Password for {name}", hide_input=True, confirmation_prompt="The same again")
    )


def _check_contact(plant: Plant, name: str) -> None:
    """A name that is nobody's in the plant file may be a slip; it works all the same."""
    contacts = [contact.name for contact in plant.contacts]
    if contacts and folded(name) not in map(folded, contacts):
        typer.echo(
            f"note: no [[contact]] is called {name}; the plant file has {', '.join(contacts)}",
            err=True,
        )


def _list(names: tuple[str, ...], *, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps(list(names), ensure_ascii=False))
        return
    typer.echo("\n".join(names) or "Nobody may write on the page yet.")


def _tell(plain: dict[str, object], said: str, *, as_json: bool) -> None:
    typer.echo(json.dumps(plain, ensure_ascii=False) if as_json else said)
