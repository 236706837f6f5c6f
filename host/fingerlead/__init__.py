"""The host program: what listens to a sensor chanter and tells which finger led."""

__version__ = "0.1.0"
