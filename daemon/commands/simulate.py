"""`brinelark simulate`: the simulator alone, with its own options."""

import sys

import typer


def simulate(context: typer.Context) -> None:
    """Serve an invented plant over Modbus TCP and OPC UA; `brinelark simulate --help` shows how."""
    from simulator.__main__ import main

    sys.exit(main(list(context.args), program=context.command_path))
