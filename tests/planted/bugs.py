"""Bugs that break a promise, each with the test that catches it.

A bug is a piece of good code and the mistake that takes its place. When the code moves on, the plant follows.
"""

from tests.planted.bug import Bug
from tests.planted.bugs_of_alarms import ALARMS
from tests.planted.bugs_of_clocks import CLOCKS
from tests.planted.bugs_of_demand import DEMAND
from tests.planted.bugs_of_keeping import KEEPING
from tests.planted.bugs_of_misting import MISTING
from tests.planted.bugs_of_physics import PHYSICS
from tests.planted.bugs_of_settings import SETTINGS

BUGS: tuple[Bug, ...] = (*MISTING, *SETTINGS, *KEEPING, *ALARMS, *CLOCKS, *PHYSICS, *DEMAND)
