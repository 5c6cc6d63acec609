"""How daemon and keeper speak: one JSON object a line over a Unix socket.

This file knows the words and how they are written. Both ends refuse what they do not understand; neither
trusts the other's length.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from mistd.core.leases import KeeperRules, LineRule

LONGEST_LINE = 16_384  # bytes; every message of ours is far below

Message = Mapping[str, Any]


class WireError(ValueError):
    """What came in is no message of ours."""


def encoded(message: Message) -> bytes:
    """One message as a line."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def decoded(line: bytes) -> dict[str, Any]:
    """The message in a line.

    Raises:
        WireError: it is not a JSON object.
    """
    try:
        message = json.loads(line)
    except (ValueError, RecursionError) as problem:
        raise WireError(f"not JSON: {problem}") from None
    if not isinstance(message, dict):
        raise WireError(f"not an object: {line[:80]!r}")
    return message


class LineBuffer:
    """Bytes as they come, given back as whole lines."""

    def __init__(self) -> None:
        self._rest = b""

    def lines(self, received: bytes) -> Iterator[bytes]:
        """Every line that is complete now.

        Raises:
            WireError: a line is longer than any of ours.
        """
        *whole, self._rest = (self._rest + received).split(b"\n")
        if any(len(line) > LONGEST_LINE for line in (*whole, self._rest)):
            raise WireError(f"a line of more than {LONGEST_LINE} bytes")
        yield from whole


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperSpec:
    """Everything a keeper is told at its start, once."""

    house: str
    socket_path: str
    lock_path: str
    rules: KeeperRules
    outputs: Mapping[str, Any]  # which driver holds the lines, and on which pins or in which file
    fingerprint: str = ""  # of rules and outputs: a daemon with another configuration gets another keeper

    def to_json(self) -> str:
        plain = asdict(self)
        if not self.rules.signals:
            del plain["rules"]["signals"]  # a house without a siren has the fingerprint it always had
        return json.dumps(plain)

    @classmethod
    def from_json(cls, text: str) -> "KeeperSpec":
        plain = json.loads(text)
        rules = plain.pop("rules")
        lines = {line: LineRule(**rule) for line, rule in rules.pop("lines").items()}
        signals = tuple(rules.pop("signals", ()))
        return cls(rules=KeeperRules(lines=lines, signals=signals, **rules), **plain)
