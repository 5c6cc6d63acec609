"""The real keeper on a bench whose time runs faster: `python -m simulators.bench_keeper SPEED EPOCH_S`."""

import sys

from mistd.keeper.process import KeeperClock, start
from simulators.scaled_time import ScaledSeconds


def main() -> None:
    """Keep lines by scaled time."""
    speed, epoch_s = map(float, sys.argv[1:3])
    start(KeeperClock(now_s=ScaledSeconds(speed=speed, epoch_s=epoch_s), speed=speed))


if __name__ == "__main__":
    main()
