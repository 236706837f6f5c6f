"""What a piper's fingers mean: holes, notes, fingerings, changes and movements. Knows no clock or thread."""
