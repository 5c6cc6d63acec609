"""The errors an adapter may raise: one for each port, translated once, in the adapter.

The loop turns them into events; nothing else of an outside library's errors is known above the adapters.
Bad configuration has its own error (`mistd.app.config.ConfigError`): that is the grower's to mend.
"""


class PortError(Exception):
    """Something outside the program did not do what it was asked."""


class LinesError(PortError):
    """An output line could not be claimed, driven, read back or released."""


class KeeperError(PortError):
    """The keeper could not be started or reached, or answers no more."""


class StoreError(PortError):
    """What a restart needs could not be read or written."""


class BusError(PortError):
    """The broker refused us, vanished or did not answer in time."""
