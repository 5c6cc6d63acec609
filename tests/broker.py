"""Real brokers for tests: mosquitto in a process of its own, and the embedded amqtt in another.

Answers for: a free port, waiting until the port answers, ending what was started, and doing to a broker
what the field does (kill, freeze). A missing mosquitto skips a test on a developer's machine and fails it
in continuous integration.
Does not know what is tested. Rule: only processes started here are signalled.
"""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest

READY_WITHIN_S = 10.0
LOOK_EVERY_S = 0.01
STOP_WITHIN_S = 5.0


def free_port() -> int:
    """A TCP port on the loopback that nobody used a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def program(name: str) -> str:
    """The path of a program that the test needs; without it the test is skipped, in CI it fails."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    if path is None:
        missing = f"{name} is not installed: this test needs the real one"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    return path


class BrokerProcess:
    """A broker in a child process: started, ended, frozen and killed by its process id."""

    def __init__(self, port: int | None = None) -> None:
        self.port = port or free_port()
        self._place = tempfile.TemporaryDirectory(prefix="mistd-broker-")
        self.directory = Path(self._place.name)
        self._process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    def start(self) -> None:
        """Start and wait until the port answers."""
        assert self._process is None, "already started"
        with (self.directory / "output.log").open("ab") as output:
            self._process = subprocess.Popen(self.command(), stdout=output, stderr=output)
        deadline_s = time.monotonic() + READY_WITHIN_S
        while not self._answers():
            ended = self._process.poll() is not None
            if ended or time.monotonic() > deadline_s:
                self.kill()
                raise AssertionError(f"the broker did not start:\n{self.log()}")
            time.sleep(LOOK_EVERY_S)

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        """End it as an administrator would; harmless when it is not running."""
        if self._process is None:
            return
        self.thaw()
        self._process.terminate()
        try:
            self._process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None

    def kill(self) -> None:
        """End it with SIGKILL: retained messages are gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """Stop it with SIGSTOP: its sockets stay open and the kernel goes on accepting for it."""
        assert self._process is not None, "not started"
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on after `freeze`; harmless otherwise."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)

    def log(self) -> str:
        """Everything it and its logger have written."""
        return "\n".join(path.read_text(errors="replace") for path in sorted(self.directory.glob("*.log")))

    def __enter__(self) -> Self:
        try:
            self.start()
        except BaseException:
            self._place.cleanup()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()  # it has nothing to store, and an orderly end takes a tenth of a second
        self._place.cleanup()


class Mosquitto(BrokerProcess):
    """mosquitto with one listener on the loopback, storing nothing.

    `users` (name: password) shuts out everybody else; `acl` is the text of an access list; `settings` are
    further lines of its configuration, after the listener.
    """

    def __init__(
        self,
        *,
        port: int | None = None,
        users: Mapping[str, str] | None = None,
        acl: str | None = None,
        settings: Sequence[str] = (),
    ) -> None:
        self._program = program("mosquitto")
        super().__init__(port)
        lines = [
            f"user {pwd.getpwuid(os.geteuid()).pw_name}",  # else, as root, it cannot read its own files
            f"listener {self.port} 127.0.0.1",
            "set_tcp_nodelay true",
            "persistence false",
            f"log_dest file {self.directory / 'broker.log'}",
            "log_type all",
            f"allow_anonymous {'false' if users else 'true'}",
            *self._passwords(users or {}),
            *self._access(acl),
            *settings,
        ]
        (self.directory / "broker.conf").write_text("\n".join(lines) + "\n")

    def command(self) -> list[str]:
        return [self._program, "-c", str(self.directory / "broker.conf")]

    def _passwords(self, users: Mapping[str, str]) -> list[str]:
        path = self.directory / "passwords"
        if not users:
            return []
        path.touch(mode=0o600)
        for name, password in users.items():
            add = [program("mosquitto_passwd"), "-b", str(path), name, password]
            subprocess.run(add, check=True, capture_output=True)
        return [f"password_file {path}"]

    def _access(self, acl: str | None) -> list[str]:
        if acl is None:
            return []
        path = self.directory / "access"
        path.touch(mode=0o600)
        path.write_text(acl)
        return [f"acl_file {path}"]


class Amqtt(BrokerProcess):
    """The embedded broker of the demo, MQTT 3.1.1 only, here in a process of its own."""

    PROGRAM = """
import asyncio, logging, sys
from amqtt.broker import Broker

async def main():
    logging.basicConfig(level=logging.WARNING)
    broker = Broker({
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{sys.argv[1]}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    })
    await broker.start()
    await asyncio.Event().wait()

asyncio.run(main())
"""

    def command(self) -> list[str]:
        return [sys.executable, "-c", self.PROGRAM, str(self.port)]
