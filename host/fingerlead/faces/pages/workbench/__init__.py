"""The page on which a maker calibrates a chanter."""
