"""Where Chromium is, and how it is started without a screen and without a word to the outside."""

from __future__ import annotations

import shutil

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
