"""A simulated chanter with a pupil in it, for trying everything without hardware."""
