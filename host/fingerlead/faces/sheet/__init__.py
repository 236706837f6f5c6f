"""Sheets to print, engraved by LilyPond from the program's own notes: tunes, rungs, the fingering chart, homework."""
