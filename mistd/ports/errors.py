"""The errors an adapter may raise: one for each port, translated once, in the adapter.

The loop turns them into events; nothing else of an outside library's errors is known above the adapters.
Bad configuration has its own error (`mistd.app.config.ConfigError`): that is the grower's to mend.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from mistd.ports.store import Loaded


class PortError(Exception):
    """Something outside the program did not do what it was asked."""


class LinesError(PortError):
    """An output line could not be claimed, driven, read back or released."""


class KeeperError(PortError):
    """The keeper could not be started or reached, or answers no more."""


class StoreError(PortError):
    """What a restart needs could not be read or written."""

    stand_in: "Loaded | None" = None  # of a load: what can be begun from all the same, though nothing be kept


class BusError(PortError):
    """The broker refused us, vanished or did not answer in time."""
