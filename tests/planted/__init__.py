"""Planted mistakes: a check that has never caught anything is not known to be a check.

`test_imports.py` breaks each import rule once. `test_bugs.py` plants the bugs of `bugs.py` in a copy of the
project, one at a time, and wants the test named beside each to fail.
"""
