"""Server processes for tests: started on loopback, waited for, and always killed."""

import asyncio
import os
import selectors
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
NPM = "mkdir -p .ci/npm && cp tests/server/package.json .ci/npm/ && npm install --prefix .ci/npm"
START_S = 60.0


class NotHere(AssertionError):
    """Something a test needs is not installed; the text says how to get it."""


def free_port() -> int:
    """A port of 127.0.0.1 that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def need(program: str, remedy: str) -> str:
    """Path of a program; fails with the remedy when it is missing."""
    found = shutil.which(program)
    if found is None:
        raise NotHere(f"{program} is not installed; run: {remedy}")
    return found


def node_command(script: str, package: str) -> tuple[list[str], dict[str, str]]:
    """Command and environment to run a script of this folder on node with an npm package."""
    folder = Path(os.environ.get("NODE_PATH") or ROOT / ".ci/npm/node_modules")
    node = need("node", "apt-get install -y --no-install-recommends nodejs npm")
    if not (folder / package).is_dir():
        raise NotHere(f"npm package {package} is not in {folder}; run in {ROOT}: {NPM}")
    return [node, str(HERE / script)], {**os.environ, "NODE_PATH": str(folder)}


def compiled_slave(folder: Path) -> Path:
    """The libmodbus server of this folder, compiled into `folder`."""
    return compiled("modbus_slave", folder)


def compiled(name: str, folder: Path) -> Path:
    """A program of this folder on libmodbus, compiled into `folder`."""
    remedy = "apt-get install -y --no-install-recommends gcc libc6-dev pkg-config libmodbus-dev"
    flags = subprocess.run(
        [need("pkg-config", remedy), "--cflags", "--libs", "libmodbus"],
        capture_output=True,
        text=True,
    )
    if flags.returncode:
        raise NotHere(f"libmodbus is not installed; run: {remedy}\n{flags.stderr}")
    program = folder / name
    source = str(HERE / f"{name}.c")
    built = subprocess.run(
        [need("gcc", remedy), "-O1", "-Wall", source, "-o", str(program), *flags.stdout.split()],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    return program


async def nothing_left() -> None:
    """Fails when a task of the event loop outlived the driver that started it."""
    for _ in range(100):
        left = asyncio.all_tasks() - {asyncio.current_task()}
        if not left:
            return
        await asyncio.sleep(0)
    raise AssertionError(f"still running: {left}")


class Server:
    """A process that prints ``listening PORT`` when it serves, and ends when its stdin closes.

    So it is gone even when the test run itself was killed.
    """

    def __init__(self, command: Sequence[str], *, env: dict[str, str] | None = None) -> None:
        self.command = list(command)
        self.env = env
        self.port = 0
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def start(self) -> "Server":
        """Start and wait until it serves; does nothing when it runs."""
        if self.running:
            return self
        self.kill()
        with tempfile.TemporaryFile() as errors:
            self._process = subprocess.Popen(
                self.command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=errors,
                env=self.env,
            )
            try:
                self.port = self._wait()
            except BaseException:
                self.kill()
                errors.seek(0)
                print(errors.read().decode(errors="replace"))
                raise
        return self

    def _wait(self) -> int:
        assert self._process is not None
        assert self._process.stdout is not None
        deadline = time.monotonic() + START_S
        heard = b""
        with selectors.DefaultSelector() as selector:
            selector.register(self._process.stdout, selectors.EVENT_READ)
            while time.monotonic() < deadline:
                if not selector.select(deadline - time.monotonic()):
                    break
                piece = os.read(self._process.stdout.fileno(), 4096)
                heard += piece
                for line in heard.split(b"\n")[:-1]:
                    if line.startswith(b"listening "):
                        return int(line.split()[1])
                if not piece:
                    break
        raise AssertionError(f"{self.command} did not say that it listens: {heard!r}")

    def signal(self, number: int) -> None:
        """Send a signal, for example to freeze it."""
        assert self._process is not None
        self._process.send_signal(number)

    def kill(self) -> None:
        """Kill it at once and wait until it is gone; safe to call twice."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
