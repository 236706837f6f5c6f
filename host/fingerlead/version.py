"""The number of this version: the one place that has it."""

__version__ = "0.1.0"
