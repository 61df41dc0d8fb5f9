"""Servers that nobody here wrote the protocol stack of, one process each for the whole run."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.server.processes import Server, compiled_slave, free_port, node_command


@pytest.fixture(scope="session")
def libmodbus_session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    program = compiled_slave(tmp_path_factory.mktemp("libmodbus"))
    server = Server([str(program), str(free_port())])
    try:
        yield server.start()
    finally:
        server.kill()


def _node(script: str, package: str, *arguments: str) -> Server:
    command, env = node_command(script, package)
    return Server([*command, str(free_port()), *arguments], env=env)


@pytest.fixture(scope="session")
def modbus_serial_session() -> Iterator[Server]:
    server = _node("modbus_serial.js", "modbus-serial")
    try:
        yield server.start()
    finally:
        server.kill()


@pytest.fixture(scope="session")
def jsmodbus_session() -> Iterator[Server]:
    server = _node("jsmodbus.js", "jsmodbus")
    try:
        yield server.start()
    finally:
        server.kill()


@pytest.fixture(scope="session")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder where node-opcua keeps the certificate that it makes at its first start."""
    return tmp_path_factory.mktemp("pki")


@pytest.fixture(scope="session")
def node_opcua_session(pki: Path) -> Iterator[Server]:
    server = _node("opcua_server.js", "node-opcua", str(pki), "10")
    try:
        yield server.start()
    finally:
        server.kill()


# Tests may kill these; the next test finds them running again, on the same port.


@pytest.fixture
def libmodbus(libmodbus_session: Server) -> Server:
    return libmodbus_session.start()


@pytest.fixture
def modbus_serial(modbus_serial_session: Server) -> Server:
    return modbus_serial_session.start()


@pytest.fixture
def jsmodbus(jsmodbus_session: Server) -> Server:
    return jsmodbus_session.start()


@pytest.fixture
def node_opcua(node_opcua_session: Server) -> Server:
    return node_opcua_session.start()
