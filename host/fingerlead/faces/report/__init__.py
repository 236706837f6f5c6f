"""The finger-timing report, one self-contained page."""
