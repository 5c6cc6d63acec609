"""The words between daemon and keeper: what goes in comes out, and what is none of ours is refused."""

import json
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from mistd.keeper.wire import LONGEST_LINE, KeeperSpec, LineBuffer, WireError, decoded, encoded
from tests.keeper.bench import run_directory, spec_in


@pytest.mark.parametrize(
    "message",
    [
        {"ask": "renew"},
        {"ask": "open", "line": "left", "ticket": 2**40, "for_s": 0.1},
        {"told": "shut", "reason": "Grüße\nan alle \ud800", "at_s": 1e-300},
        {"told": "taken", "accounts": [["left", 1.0, 2.5]], "nested": {"deep": [None, True]}},
    ],
)
def test_a_message_comes_out_as_it_went_in(message: dict[str, Any]) -> None:
    line = encoded(message)

    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert decoded(line) == message


def test_a_message_never_carries_a_number_that_is_none() -> None:
    with pytest.raises(ValueError, match="Out of range"):
        encoded({"at_s": float("nan")})


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"\n",
        b"not json\n",
        b'{"ask": "renew"\n',
        b"[1, 2]\n",
        b'"renew"\n',
        b"null\n",
        b"\x00\xff\xfe\x80\n",
        b"\xed\xa0\x80\n",
        b"[" * 100_000 + b"\n",
        b'{"ticket": ' + b"9" * 5000 + b"}\n",
    ],
    ids=lambda line: repr(line[:20]),
)
def test_a_line_that_is_no_object_is_refused(line: bytes) -> None:
    with pytest.raises(WireError):
        decoded(line)


@pytest.mark.parametrize("seed", range(20))
def test_lines_come_out_whole_however_they_are_cut(seed: int) -> None:
    random = Random(seed)
    sent = [bytes(random.choices(range(11, 256), k=random.randrange(400))) for _ in range(50)]
    stream, buffer, received = b"".join(line + b"\n" for line in sent), LineBuffer(), []

    while stream:
        cut = random.randrange(1, 300)
        received += list(buffer.lines(stream[:cut]))
        stream = stream[cut:]

    assert received == sent


def test_half_a_line_is_kept_until_its_end_comes() -> None:
    buffer = LineBuffer()

    first = list(buffer.lines(b'{"ask": "re'))
    second = list(buffer.lines(b'new"}\n{"ask"'))

    assert (first, second) == ([], [b'{"ask": "renew"}'])


@pytest.mark.parametrize("end", [b"", b"\n"], ids=["without its end", "with its end"])
def test_a_line_longer_than_any_of_ours_is_refused(end: bytes) -> None:
    just_right, too_long = b"x" * LONGEST_LINE, b"x" * (LONGEST_LINE + 1)

    assert list(LineBuffer().lines(just_right + b"\n")) == [just_right]
    with pytest.raises(WireError, match="more than"):
        list(LineBuffer().lines(too_long + end))


def test_a_line_too_long_is_refused_however_slowly_it_comes() -> None:
    buffer = LineBuffer()
    for _ in range(LONGEST_LINE):
        assert list(buffer.lines(b"x")) == []

    with pytest.raises(WireError, match="more than"):
        list(buffer.lines(b"x"))


def test_a_specification_comes_out_as_it_went_in() -> None:
    with run_directory() as directory:
        spec = spec_in(directory, outputs={"driver": "gpiozero", "pins": {"left": {"pin": 5}}})

    assert KeeperSpec.from_json(spec.to_json()) == spec


def test_a_specification_with_a_siren_comes_out_as_it_went_in() -> None:
    with run_directory() as directory:
        spec = spec_in(directory, signals=("siren",))

    assert KeeperSpec.from_json(spec.to_json()) == spec


def test_a_specification_without_a_siren_says_nothing_of_one() -> None:
    """Or the fingerprint of every house would change with the first version that knows sirens."""
    with run_directory() as directory:
        plain = json.loads(spec_in(directory).to_json())

    assert set(plain["rules"]) == {"lines", "open_at_once", "heartbeat_s"}


def test_a_specification_with_a_key_too_many_is_refused() -> None:
    with run_directory() as directory:
        plain = json.loads(replace(spec_in(directory), house="other").to_json())

    with pytest.raises(TypeError, match="surplus"):
        KeeperSpec.from_json(json.dumps({**plain, "surplus": 1}))
