"""A problem that the user can do something about."""


class Problem(Exception):
    """One plain sentence: what was expected, what came, what to try. Printed on stderr; the exit code is 1."""
