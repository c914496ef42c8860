"""Faults that a small computer in a garage meets, caused for real, and what they cost.

`python -m tests.faults --long` runs all of them many times and prints the table; pytest runs the same code a few times.
"""
