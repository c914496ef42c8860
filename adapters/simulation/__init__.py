"""A vessel in a fridge, computed: yeast, gas, valve, heat and instruments, from published figures.

Nothing here is shared with the detectors, so that an error can't cancel itself out.
"""
