"""Notes → samples: what a mask of holes sounds like, and nothing about devices or clocks."""
