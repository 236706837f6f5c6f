"""The teacher's desk: the studio as pages, for screen and paper."""
