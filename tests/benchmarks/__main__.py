"""`python -m tests.benchmarks` lists the benchmarks."""

import tests.benchmarks

if __name__ == "__main__":
    print(tests.benchmarks.__doc__)
