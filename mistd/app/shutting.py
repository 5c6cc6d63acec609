"""Shutting every valve from a fresh process, whatever state the daemon is in.

When a keeper is there it is asked to shut: it alone holds the lines. When none is there the lines are claimed
shut by a keeper of our own, which then ends.
"""

import asyncio
import json
import subprocess

from mistd.app.config import Config
from mistd.app.wiring import keeper_spec, machine, make_run_directory
from mistd.keeper.client import shut_all_lines

KEEPER_ENDS_S = 5.0
TRIES = 3  # a daemon may start a keeper of its own between our asking for one and our claiming
SHUT_BY_KEEPER = (
    "every valve is shut now. A daemon that runs goes on by its cycles: to keep the house dry, stop it or "
    "close the hand valve"
)


def shut_house(config: Config) -> tuple[bool, str]:
    """Shut every line; whether they are, and what to tell."""
    is_shut, said = False, ""
    for _ in range(TRIES):
        still_open = asyncio.run(shut_all_lines(keeper_spec(config).socket_path, "mistd shut"))
        if still_open:
            return False, f"not shut: {', '.join(still_open)}; close the hand valves"
        if still_open is not None:
            return True, SHUT_BY_KEEPER
        is_shut, said = _claimed_and_released(config)
        if is_shut:
            break
    return is_shut, said


def _claimed_and_released(config: Config) -> tuple[bool, str]:
    spec = keeper_spec(config)
    try:
        make_run_directory(config)
        keeper = subprocess.Popen(
            machine().keeper_command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert keeper.stdin is not None
        assert keeper.stdout is not None
        keeper.stdin.write(spec.to_json())
        keeper.stdin.close()
        with keeper.stdout:
            said = json.loads(keeper.stdout.readline() or "{}")
        keeper.terminate()
        keeper.wait(KEEPER_ENDS_S)
    except (OSError, subprocess.TimeoutExpired) as problem:
        return False, f"the lines could not be claimed: {problem}; close the hand valves"
    if said.get("told") != "started":
        reason = said.get("reason", "the keeper did not start")
        return False, f"the lines could not be claimed: {reason}; close the hand valves"
    return True, "every valve is shut (no keeper was running; the lines were claimed shut and released)"
