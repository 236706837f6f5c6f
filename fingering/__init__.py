"""What a piper's fingers mean: holes, notes, fingerings, changes and movements. Knows no clock, file handle or thread."""
