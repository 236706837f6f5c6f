"""Where bytes enter and leave: the only room that touches hardware or the operating system."""
