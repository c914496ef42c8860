"""What the program depends on: whether licences allow it, and what is known against it (`python -m tests.dependencies`)."""
