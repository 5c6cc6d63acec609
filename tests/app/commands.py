"""Commands of the command line run inside the test's own process, on houses with simulated outputs.

Does not know what a command should say. Rule: everything a house keeps is in the directory of the test.
"""

import socket
from pathlib import Path

from click.testing import CliRunner, Result

from mistd.app.cli import main
from tests.app.house_files import Change, changed, set_to, several, written


def run(*arguments: object, environment: dict[str, str] | None = None) -> Result:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments], env=environment)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def bench_file(directory: Path, *changes: Change) -> Path:
    """A house with simulated outputs and everything it keeps in one directory; nobody listens on its port."""
    here = several(
        set_to("outputs", {"driver": "simulated"}),
        set_to("state", {"directory": str(directory / "state"), "run_directory": str(directory / "run")}),
        set_to("broker.port", unused_port()),
    )
    (directory / "state").mkdir(exist_ok=True)
    return written(directory, changed(here, *changes))


def unused_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
