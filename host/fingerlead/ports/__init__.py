"""Where bytes enter and leave: the only rooms that touch hardware or the operating system."""
