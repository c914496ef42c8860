"""Fuzzing: whatever a sensor, a log file or a configuration holds, the readers keep their laws.

`python -m tests.fuzz --minutes 10` runs every target under a coverage-guided engine and prints how many inputs each
has seen; `test_targets.py` is the short seeded form for every day.
"""
