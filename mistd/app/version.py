"""The version of the program, from its installed package."""

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("mistd")
except PackageNotFoundError:  # run from a checkout that was never installed
    VERSION = "not installed"
