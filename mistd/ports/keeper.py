"""The keeper of the output lines, as the control loop sees it: orders go in, news comes out, nobody waits."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from mistd.core.observations import KeeperNews


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalTrouble:
    """A signal line does not do as it was told. No zone hangs on it, so this is no news for the core."""

    line: str
    reason: str


class LineKeeper(Protocol):
    """Someone who opens lines for a stated time, ends every opening by itself and reports what was done."""

    def open(self, line: str, ticket: int, for_s: float) -> None:
        """Order an opening; what became of it comes as news. Without a keeper the order is lost."""
        ...

    def shut(self, line: str, reason: str) -> None:
        """Order a line shut before its time."""
        ...

    def signal(self, line: str, *, is_on: bool) -> None:
        """Say what a signal line, a siren's, is to be from now on: off until it is said, and after `retire`.

        Without a keeper it is remembered, and every keeper there will be is told. Said again it changes
        nothing, and neither does naming a line that this house does not have.
        """
        ...

    def renew(self) -> None:
        """Say that a whole control pass is done; when this is not said for a heartbeat, every valve shuts."""
        ...

    def news(self) -> tuple[KeeperNews, ...]:
        """What happened since the last call, in order."""
        ...

    async def run(self, wake: Callable[[], None]) -> None:
        """Keep a keeper at hand, starting a new one when it is gone; `wake` is called when there is news.

        Returns only when cancelled.

        Raises:
            KeeperError: another daemon controls this house.
        """
        ...

    async def retire(self, reason: str) -> bool:
        """Shut every line, switch signals off and end the keeper; True when it said that all are shut."""
        ...
