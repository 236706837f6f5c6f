"""The host program: what listens to a sensor chanter and tells which finger led."""
