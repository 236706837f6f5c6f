"""What was meant: tunes, exercises, and playing held against them."""
