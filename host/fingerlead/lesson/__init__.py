"""Lessons apart: what is played goes to another machine as it is played, and comes out the same there."""
