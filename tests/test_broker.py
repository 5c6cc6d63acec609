"""A missing broker is never mistaken for a passed test where it matters."""

import pytest

from tests.broker import program


def test_in_continuous_integration_a_missing_program_fails_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CI", "true")

    with pytest.raises(pytest.fail.Exception, match="no-such-broker is not installed"):
        program("no-such-broker")


def test_on_a_developers_machine_a_missing_program_skips_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CI", raising=False)

    with pytest.raises(pytest.skip.Exception, match="no-such-broker is not installed"):
        program("no-such-broker")
