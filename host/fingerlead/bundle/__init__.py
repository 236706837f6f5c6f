"""The bundle: one signed file from a pupil to the teacher, or from the teacher to a pupil, by chat or USB stick."""
