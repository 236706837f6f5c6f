"""A teacher's studio on disk: a folder for each pupil, and one index that can be made anew from them at any time."""
