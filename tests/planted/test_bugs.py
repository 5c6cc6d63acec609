"""Each planted bug makes the test that is named beside it fail; without the bug that test passes."""

from pathlib import Path

import pytest

from tests.planted.bug import Bug
from tests.planted.bugs import BUGS
from tests.planted.copies import copied_project, plant, run_in

pytestmark = pytest.mark.real_time
TEST_FAILED = 1  # pytest's exit code when tests ran and some failed


@pytest.mark.parametrize("bug", BUGS, ids=[bug.name for bug in BUGS])
def test_the_planted_bug_is_caught(bug: Bug, tmp_path: Path) -> None:
    copy = copied_project(tmp_path)
    plant(copy, bug.file, bug.good, bug.bad)

    done = run_in(copy, ["pytest", "-q", "-x", "-p", "no:cacheprovider", bug.caught_by])

    assert done.returncode == TEST_FAILED, f"{bug.promise}: not caught\n{done.stdout}{done.stderr}"
    assert " failed" in done.stdout
